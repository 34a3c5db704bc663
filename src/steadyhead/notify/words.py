"""A message in words: subject, plain text, simple HTML and a short form, all from the same blocks."""

from __future__ import annotations

import html
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from steadyhead.alerts.jsonlines import read_rfc3339
from steadyhead.notify.message import Item, Message, link, worst_first
from steadyhead.report.words import sure_text, time_text

RULES_FIRST = (
    "Local codes, the owner's procedure and the valve's own papers come first, and only licensed or "
    "authorised people work on the station."
)
_LETTERS = "abcdefghijklmnopqrstuvwxyz"
_EFFORTS = {"free": "look", "cheap": "small job", "isolates": "takes something out of use"}
_PRIORITIES = ("high", "medium", "low")


@dataclass(frozen=True, slots=True)
class Block:
    """A piece of a message: a heading, a paragraph, a list, or a link on a line of its own.

    lines : one for a heading, paragraph or link; one per entry of a list
    marks : what stands before each entry of a list
    """

    kind: Literal["heading", "paragraph", "list", "link"]
    lines: tuple[str, ...]
    marks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Manner:
    """How messages are worded.

    with_checks : whether the field checks, always with their cautions, are in
    list_at_most : entries in the list of a gathered message
    """

    public_url: str | None
    with_checks: bool
    list_at_most: int


def subject(message: Message) -> str:
    """One line with station, condition and priority; how many and the worst, if there are several."""
    if message.kind == "test":
        return "Steadyhead: test message"
    if len(message.items) == 1:
        return headline(message.items[0])
    worst = headline(worst_first(message.items)[0])
    return f"{len(message.items)} changes of alerts ({_split(message.items)} priority); worst: {worst}"


def headline(item: Item) -> str:
    """One change in one line."""
    what = f"{item.station}: {item.title}, {item.priority} priority"
    if item.change == "cleared":
        return f"Over: {what}"
    if item.change == "priority_raised":
        return f"Now more urgent: {what}"
    if item.change == "not_acknowledged":
        return f"Nobody has acknowledged: {what}"
    return what


def blocks(message: Message, manner: Manner) -> list[Block]:
    """The whole message for people."""
    if message.kind == "test":
        return [
            _paragraph("This is a test of a notification channel. No station has an alert because of it.")
        ]
    if len(message.items) > 1:
        return _gathered(message, manner)
    return _single(message.items[0], manner)


def short_text(message: Message, manner: Manner) -> str:
    """A few lines for chat and telephone: what and how large, and where the rest is; never a field check."""
    if message.kind == "test" or len(message.items) > 1:
        return as_text(blocks(message, manner))
    item = message.items[0]
    parts = [_story(item)]
    if item.change != "cleared":
        parts += list(item.alert["evidence"][:1])
        where = link(manner.public_url, item.alert["alert_id"])
        parts.append(f"Checks and cautions: {where or 'see the sheet of this alert.'}")
        parts.append(RULES_FIRST)
    return "\n".join(parts)


def as_text(parts: Sequence[Block]) -> str:
    """Blocks as plain text, an empty line between them."""
    texts: list[str] = []
    for block in parts:
        if block.kind == "list":
            rows = zip(block.marks, block.lines, strict=True)
            texts.append("\n".join(f"{mark} {line}" for mark, line in rows))
        elif block.kind == "heading":
            texts.append(block.lines[0].upper())
        else:
            texts.append(block.lines[0])
    return "\n\n".join(texts) + "\n"


def as_html(parts: Sequence[Block], title: str) -> str:
    """Blocks as a simple page: no images, no styles from elsewhere, nothing that is fetched."""
    body = "\n".join(_html(block) for block in parts)
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f"<title>{html.escape(title)}</title></head>\n<body>\n{body}\n</body></html>\n"
    )


def _single(item: Item, manner: Manner) -> list[Block]:
    alert = item.alert
    parts = [_heading(headline(item)), _paragraph(_story(item))]
    where = link(manner.public_url, alert["alert_id"])
    if where is not None:
        parts.append(Block("link", (where,)))
    if item.change == "cleared":
        return parts
    if alert["evidence"]:
        parts += [_heading("Why we say so"), _dashes(alert["evidence"])]
    if alert["likely_causes"]:
        causes = alert["likely_causes"]
        marks = tuple(f"{cause['likelihood'] * 100:.0f} %" for cause in causes)
        parts.append(_heading("What usually lies behind it"))
        parts.append(Block("list", tuple(str(cause["text"]) for cause in causes), marks))
    if manner.with_checks:
        parts += _checks(alert["field_checks"])
    parts.append(_paragraph(RULES_FIRST))
    return parts


def _checks(checks: Sequence[dict[str, Any]]) -> list[Block]:
    """Cautions first, each once and with a letter; then the checks, each with the letters to mind."""
    if not checks:
        return []
    letters: dict[str, str] = {}
    for caution in (text for check in checks for text in check["cautions"]):
        letters.setdefault(caution, _LETTERS[len(letters)] if len(letters) < 26 else str(len(letters) + 1))
    parts: list[Block] = []
    if letters:
        parts.append(_heading("Before you touch anything"))
        parts.append(Block("list", tuple(letters), tuple(f"({mark})" for mark in letters.values())))
    lines = []
    for check in checks:
        said = [check["text"], check["why"], f"Here: {check['hint']}" if check["hint"] else None]
        mind = ", ".join(letters[caution] for caution in check["cautions"])
        said.append(f"[{_EFFORTS[check['effort']]}{f'; mind {mind}' if mind else ''}]")
        lines.append(" ".join(str(part) for part in said if part))
    parts.append(_heading("What to check, in this order"))
    return [*parts, Block("list", tuple(lines), tuple(f"{check['order']}." for check in checks))]


def _gathered(message: Message, manner: Manner) -> list[Block]:
    ordered = worst_first(message.items)
    shown = ordered[: manner.list_at_most]
    parts = [_heading(subject(message)), _dashes([f"{headline(item)}. {_when(item)}" for item in shown])]
    rest = ordered[len(shown) :]
    if rest:
        parts.append(_paragraph(f"And {len(rest)} more ({_split(rest)} priority) that are not listed here."))
    if manner.public_url is not None:
        parts.append(Block("link", (manner.public_url.rstrip("/") + "/",)))
    parts.append(
        _paragraph(f"Many alerts came at once. Each has a sheet with its checks and cautions. {RULES_FIRST}")
    )
    return parts


def _split(items: Sequence[Item]) -> str:
    counts = Counter(item.priority for item in items)
    return ", ".join(f"{counts[name]} {name}" for name in _PRIORITIES if counts[name])


def _when(item: Item) -> str:
    alert, zone = item.alert, item.time_zone
    raised = f"Raised {time_text(read_rfc3339(alert['raised_at']), zone)}"
    if alert["ended_at"] is None:
        return f"{raised} ({zone}), goes on."
    return f"{raised}, over {time_text(read_rfc3339(alert['ended_at']), zone)} ({zone})."


def _story(item: Item) -> str:
    alert = item.alert
    where = f" Zone {item.zone}." if item.zone else ""
    since = time_text(read_rfc3339(alert["began_at"]), item.time_zone)
    sizes = f" How large: {'; '.join(item.how_large)}." if item.how_large else ""
    return (
        f"{item.station}: {item.title}.{where} {item.priority.capitalize()} priority, "
        f"{sure_text(alert['confidence'])}. Since {since}. {_when(item)}{sizes}"
    )


def _html(block: Block) -> str:
    lines = [html.escape(line) for line in block.lines]
    if block.kind == "heading":
        return f"<h2>{lines[0]}</h2>"
    if block.kind == "link":
        return f'<p><a href="{lines[0]}">{lines[0]}</a></p>'
    if block.kind == "list":
        rows = zip((html.escape(mark) for mark in block.marks), lines, strict=True)
        items = "".join(f"<li>{line if mark == '-' else f'{mark} {line}'}</li>" for mark, line in rows)
        return f"<ul>{items}</ul>"
    return f"<p>{lines[0]}</p>"


def _heading(text: str) -> Block:
    return Block("heading", (text,))


def _paragraph(text: str) -> Block:
    return Block("paragraph", (text,))


def _dashes(lines: Sequence[str]) -> Block:
    return Block("list", tuple(lines), ("-",) * len(lines))
