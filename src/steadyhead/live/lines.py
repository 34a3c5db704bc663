"""InfluxDB line protocol, version 2: one line taken apart.

Source: the InfluxDB 2 documentation, "Line protocol": ``measurement[,tag=value...] field=value[,...]
[time]``; a backslash escapes comma, equals sign and space in names and tag values, and quote and backslash in
texts; ``i`` and ``u`` end whole numbers; lines that begin with ``#`` are comments.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from steadyhead.readings.rejects import shown

Precision = Literal["ns", "us", "ms", "s"]
NS_IN: dict[Precision, int] = {"ns": 1, "us": 1_000, "ms": 1_000_000, "s": 1_000_000_000}

_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")
_WHOLE = re.compile(r"([-+]?\d+)[iu]")
_MOST_DIGITS = 20  # with the sign
_TRUE_OR_FALSE = frozenset(("t", "T", "true", "True", "TRUE", "f", "F", "false", "False", "FALSE"))
_ESCAPED = re.compile(r"\\([,= \\\"])")


class LineError(ValueError):
    """A line is not line protocol; the text says what was met and what to do."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line.

    tags : names to texts; fields : name to number, text or true/false; time : as written, or None
    """

    measurement: str
    tags: dict[str, str]
    fields: dict[str, float | int | str | bool]
    time: int | None


def parse_line(text: str) -> Line:
    """Take one line apart; it is neither empty nor a comment. Raises LineError."""
    is_plain = "\\" not in text and '"' not in text  # nearly every line
    split: Callable[[str, str], list[str]] = str.split if is_plain else _split
    parts = [part for part in split(text, " ") if part]
    if not 2 <= len(parts) <= 3:
        raise LineError(
            f"{len(parts)} parts between spaces; a line is measurement,tags fields time. A space in a name "
            "needs a backslash before it"
        )
    measurement, *tags = split(parts[0], ",")
    if not measurement:
        raise LineError("has no measurement before the first comma")
    time = None
    if len(parts) == 3:
        try:
            time = int(parts[2][: _MOST_DIGITS + 1])
        except ValueError as exc:
            raise LineError(f'"{shown(parts[2])}" is not a whole number of time units') from exc
    return Line(
        _plain(measurement),
        dict(_pair(tag, "tag") for tag in tags),
        {name: _value(value) for name, value in (_pair(field, "field") for field in split(parts[1], ","))},
        time,
    )


def _pair(text: str, what: str) -> tuple[str, str]:
    name, equals, value = text.partition("=") if "\\" not in text else _partition(text)
    if not equals or not name or not value:
        raise LineError(f'"{shown(text)}" is not a {what}; write name=value')
    return _plain(name), value if what == "field" else _plain(value)


def _partition(text: str) -> tuple[str, str, str]:
    name, *rest = _split(text, "=")
    return name, "=" if rest else "", "=".join(rest)


def _value(text: str) -> float | int | str | bool:
    if _NUMBER.fullmatch(text):
        return float(text)
    whole = _WHOLE.fullmatch(text)
    if whole is not None:
        if len(whole[1]) > _MOST_DIGITS:
            raise LineError(f'"{shown(text)}" has more digits than a whole number of 64 bits')
        return int(whole[1])
    if text in _TRUE_OR_FALSE:
        return text[0] in "tT"
    if len(text) >= 2 and text[0] == text[-1] == '"':
        return _plain(text[1:-1])
    raise LineError(f'"{shown(text)}" is not a value; write a number, or a text in double quotes')


def _plain(text: str) -> str:
    return _ESCAPED.sub(r"\1", text) if "\\" in text else text


def _split(text: str, mark: str) -> list[str]:
    """Split at a mark that is neither escaped nor inside quotes. Quotes count in field values only."""
    parts, start, at = [], 0, 0
    is_quoted = False
    while at < len(text):
        letter = text[at]
        if letter == "\\":
            at += 1
        elif letter == '"' and (is_quoted or (at > 0 and text[at - 1] == "=")):
            is_quoted = not is_quoted
        elif letter == mark and not is_quoted:
            parts.append(text[start:at])
            start = at + 1
        at += 1
    parts.append(text[start:])
    return parts
