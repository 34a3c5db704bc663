"""Line protocol and Flux literals as the archive in InfluxDB writes them, and its token."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from steadyhead.archive.archive import CHANNELS
from steadyhead.archive.rows import Pieces, Rows
from steadyhead.errors import ArchiveError

READINGS, PIECES = "readings", "pieces"
"""Measurements."""


def read_token(path: Path) -> str:
    """The token in a file of its own. Raises ArchiveError if it cannot be read or is empty."""
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as exc:
        raise ArchiveError(f"{path}: the token of InfluxDB cannot be read; mend token_file") from exc
    if not token:
        raise ArchiveError(f"{path}: is empty; put the token of InfluxDB in it")
    return token


def lines_of(station: str, rows: Rows) -> Iterator[str]:
    """Line protocol of rows; a missing value is no field, and numbers read back the same to the last bit."""
    head = f"{READINGS},station={tag(station)} "
    for time_s, values, flags in zip(
        rows.times_s.tolist(), rows.values.tolist(), rows.flags.tolist(), strict=True
    ):
        fields = [f"{name}={value!r}" for name, value in zip(CHANNELS, values, strict=True) if value == value]
        yield f"{head}{','.join([*fields, f'flags={flags}i'])} {time_s}"


def piece_lines(station: str, pieces: Pieces) -> list[str]:
    """Line protocol of 15-minute pieces."""
    lines = []
    for n in range(len(pieces)):
        fields = []
        for c, name in enumerate(CHANNELS):
            if pieces.counts[n, c]:
                fields += [
                    f"{name}_{part}={float(getattr(pieces, part)[n, c])!r}"
                    for part in ("low", "mean", "high")
                ]
                fields.append(f"{name}_n={int(pieces.counts[n, c])}i")
        lines.append(f"{PIECES},station={tag(station)} {','.join(fields)} {int(pieces.times_s[n])}")
    return lines


def tag(text: str) -> str:
    """A tag value of line protocol."""
    return text.replace(",", r"\,").replace("=", r"\=").replace(" ", r"\ ")


def literal(text: str) -> str:
    """A string literal of Flux."""
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def stamp(at_s: int) -> str:
    """RFC 3339 in UTC."""
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def number(value: Any) -> float:
    """A cell of an answer; NaN where it is empty. Raises ArchiveError if it is no number."""
    if value is None:
        return float("nan")
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ArchiveError(
            f'the archive in InfluxDB holds "{str(value)[:40]}" where a number belongs; see what else '
            "writes to its bucket"
        )
    return float(value)
