"""What a tag may be, from its name and its values, and a mapping to start from. A person must look at it."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from steadyhead.config import ROLES, Station
from steadyhead.feeds.check.findings import Finding, LooseTag
from steadyhead.units import UNITS, find_unit

# Parts of names in use for these quantities; common practice, no source.
_WORDS: tuple[tuple[str, frozenset[str]], ...] = (
    ("command", frozenset({"sp", "setpoint", "set", "cmd", "command"})),
    ("inlet", frozenset({"in", "inn", "inlet", "us", "upstream", "pin", "p1", "pt1", "up", "suction"})),
    ("outlet", frozenset({"out", "ut", "outlet", "ds", "downstream", "pout", "p2", "pt2", "down"})),
    ("flow", frozenset({"flow", "q", "ft", "ft1", "fit", "mengde", "debit", "fl", "f1"})),
)  # fmt: skip
_SEPARATED = re.compile(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])|\d+")
_UNIT_IN_NAME = re.compile(r"[(\[ _]([A-Za-z0-9³/ ]+?)[)\]]?\Z")


def guessed_role(name: str) -> str | None:
    """The role whose words the name holds, the last of them first; None if there is none."""
    pieces = [piece.casefold() for piece in re.split(r"[^A-Za-z0-9]+", name) if piece]
    finer = [piece.casefold() for piece in _SEPARATED.findall(name)]
    for words in (list(reversed(pieces)), list(reversed(finer))):
        for word in words:
            for role, known in _WORDS:
                if word in known:
                    return role
    return None


def guessed_unit(name: str, role: str, middle: float) -> str:
    """A unit from the end of the name, else the first in which the middle value would be usual."""
    quantity = "flow" if role == "flow" else "pressure"
    found = _UNIT_IN_NAME.search(name)
    if found is not None:
        for text in (found[1], found[1].split()[-1] if found[1].split() else ""):
            try:
                return find_unit(text, quantity).name  # type: ignore[arg-type]
            except Exception:  # noqa: S112 - any word may stand there
                continue
    if quantity == "flow":
        return "L/s"
    for unit in ("kPa", "bar", "psi", "m"):
        if 150.0 <= middle * UNITS[unit].factor <= 1500.0:
            return unit
    return "kPa"


def proposed_mapping(loose: Sequence[LooseTag], time_zone: str, step_s: int) -> str:
    """A mapping file in which tags whose names differ only by the station share a pattern.

    Empty if none fits.
    """
    shapes: dict[tuple[str, str, str], list[str]] = {}
    for tag in loose:
        role = tag.guess
        if role is None:
            continue
        place = _station_part(tag.tag, [other.tag for other in loose if other.tag != tag.tag])
        if place is None:
            continue
        start, end = place
        pattern = tag.tag[:start] + "{station}" + tag.tag[end:]
        shapes.setdefault((pattern, role, guessed_unit(tag.tag, role, tag.middle)), []).append(tag.tag)
    if not shapes:
        return ""
    lines = [f"time_zone: {time_zone}", f"step_s: {step_s}", "tags:"]
    for (pattern, role, unit), names in sorted(shapes.items(), key=lambda item: (item[0][0], item[0][1])):
        lines.append(f"  - {{pattern: {_quoted(pattern)}, role: {role}, unit: {unit}}}   # {_few(names)}")
    return "\n".join(lines) + "\n"


def proposed_station(station: Station, findings: Iterable[Finding], loose: Sequence[LooseTag]) -> str:
    """The tags block of a station with what the findings ask for; empty if there is nothing to change."""
    found = list(findings)
    swap = any(one.kind == "swapped" for one in found)
    lines, changed = [f"{station.name}:", "  tags:"], swap
    for role in ROLES:
        source = {"inlet": "outlet", "outlet": "inlet"}.get(role, role) if swap else role
        tag = station.tags.get(source)  # type: ignore[call-overload]
        if tag is None:
            guess = next((one for one in loose if one.guess == role), None)
            if guess is not None:
                changed = True
                unit = guessed_unit(guess.tag, role, guess.middle)
                lines.append(
                    f"    {role}: {{tag: {_quoted(guess.tag)}, unit: {unit}}}   # guessed from its name"
                )
            continue
        parts = [f"tag: {_quoted(tag.tag)}", f"unit: {tag.unit}"]
        remarks = [one.do for one in found if one.role == role]
        if tag.scale != 1.0:
            parts.append(f"scale: {tag.scale:g}")
        changed = changed or bool(remarks)
        remark = f"   # {'; '.join(remarks)}" if remarks else ""
        lines.append(f"    {role}: {{{', '.join(parts)}}}{remark}")
    return "\n".join(lines) + "\n" if changed else ""


def _station_part(name: str, others: Sequence[str]) -> tuple[int, int] | None:
    """Where in a tag's name the station stands.

    The piece that varies among tags that end alike, else the first.
    """
    pieces = list(re.finditer(r"[A-Za-z0-9-]+(?:_[A-Za-z0-9-]+)*", name))
    if not pieces:
        return None
    for piece in pieces:
        before, after = name[: piece.start()], name[piece.end() :]
        if any(
            other.startswith(before) and other.endswith(after) and len(other) > len(before) + len(after)
            and re.fullmatch(r"[A-Za-z0-9_-]+", other[len(before) : len(other) - len(after)])
            and guessed_role(name[piece.start() : piece.end()]) is None
            for other in others
        ):  # fmt: skip
            return piece.start(), piece.end()
    unnamed = [piece for piece in pieces if guessed_role(piece[0]) is None]
    return (unnamed[-1].start(), unnamed[-1].end()) if unnamed else None


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")
