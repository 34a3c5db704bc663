"""New parts of log files read by the same code as whole logs, and turned into what the intake takes."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from steadyhead.config import ROLES, Source, Station
from steadyhead.errors import FeedError
from steadyhead.feeds.tabular import read_station
from steadyhead.live.batch import Columns
from steadyhead.live.growing import NewPart
from steadyhead.live.tallies import Refusal
from steadyhead.readings.rejects import REASONS, RejectBlock, Rejects, shown
from steadyhead.readings.series import StationLog
from steadyhead.types import IntArray

NEW = "new"
"""Folder in which the new parts are read."""
MOST_KEPT = 5000  # refused values of one look that go to the quarantine one by one; all are counted
_AROUND_S = 3 * 3600
_LINE_BYTES = 120
_LEAST_CONTEXT, _MOST_CONTEXT = 1 << 16, 1 << 19


@dataclass(frozen=True, slots=True)
class Found:
    """What new parts of one source held.

    columns : in order of role, then time; refusals : by tag and reason; kept : refused values one by one
    """

    columns: Columns
    refusals: list[Refusal]
    kept: list[dict[str, Any]]


def found_in(
    station: Station, place: int, source: Source, name: str, parts: Sequence[tuple[str, NewPart]],
    folder: Path, now_s: float,
) -> Found:  # fmt: skip
    """Read new parts of a source's files, given with their paths below the log root.

    place : number of the station; name : of the source, for the quarantine; folder : an empty one to work in
    Raises FeedError as ``feeds.tabular.read_station`` does.
    """
    log = _read(station, source, [(path, part.data) for path, part in parts], folder / NEW)
    columns = _columns(log, place)
    if any(part.context is not None for _, part in parts):
        older = _read(station, source, [(path, part.context) for path, part in parts], folder / "old")
        columns = without(columns, _columns(older, place))
    return Found(columns, *_refused(log, name, dict(parts), now_s))


def context_bytes(station: Station, source: Source, last_us: int | None) -> int:
    """Older text that is needed to place local times: hours of it about a clock's fall back, else none."""
    if last_us is None:
        return 0
    zone = ZoneInfo(source.time_zone or station.time_zone)
    before, after = (
        datetime.fromtimestamp(last_us / 1e6 + shift, UTC).astimezone(zone).utcoffset()
        for shift in (-_AROUND_S, _AROUND_S)
    )
    if before is None or after is None or after >= before:
        return 0
    lines = _AROUND_S / station.step_s * (len(station.tags) if source.layout == "long" else 1)
    return int(min(max(lines * _LINE_BYTES, _LEAST_CONTEXT), _MOST_CONTEXT))


def without(columns: Columns, older: Columns) -> Columns:
    """What is not among the older readings."""
    known = set(
        zip(older.role.tolist(), older.us.tolist(), older.values.view(np.int64).tolist(), strict=True)
    )
    own = zip(columns.role.tolist(), columns.us.tolist(), columns.values.view(np.int64).tolist(), strict=True)
    return only(columns, np.array([one not in known for one in own], dtype=np.bool_))


def only(columns: Columns, keep: Any) -> Columns:
    """The chosen readings."""
    return Columns(*(getattr(columns, name)[keep] for name in Columns.__slots__))


def _read(
    station: Station, source: Source, files: Sequence[tuple[str, bytes | None]], folder: Path
) -> StationLog:
    names = []
    try:
        for name, data in files:
            if data is None:
                continue
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
            names.append(_literal(name))
    except OSError as exc:
        raise FeedError(
            f"{folder}: cannot be written ({exc.strerror or exc}); free some space there"
        ) from exc
    if not names:
        return StationLog(station.name, {}, Rejects(station.name))
    one = station.model_copy(update={"sources": (source.model_copy(update={"path": tuple(names)}),)})
    return read_station(one, folder, is_part=True)


def _columns(log: StationLog, place: int) -> Columns:
    role, us, values, flags = [], [], [], []
    for name, series in log.series.items():
        role.append(np.full(len(series.times_s), ROLES.index(name)))
        us.append(_spread_us(series.times_s))
        values.append(series.values)
        flags.append(series.flags)
    if not us:
        none = np.zeros(0, dtype=np.int64)
        return Columns(none, none, none, np.zeros(0), np.zeros(0, dtype=np.uint16))
    joined_us = np.concatenate(us)
    return Columns(
        which=np.full(len(joined_us), place),
        role=np.concatenate(role),
        us=joined_us,
        values=np.concatenate(values),
        flags=np.concatenate(flags),
    )


def _spread_us(times_s: IntArray) -> IntArray:
    """Microseconds of whole seconds; readings of one second keep their order within it."""
    us: IntArray = times_s * 1_000_000
    if len(us) > 1 and (np.diff(us) == 0).any():
        is_last = np.append(np.diff(us) != 0, True)
        last = np.flatnonzero(is_last)[np.cumsum(is_last) - is_last]
        us = us - (last - np.arange(len(us)))
    return us


def _refused(
    log: StationLog, name: str, parts: dict[str, NewPart], now_s: float
) -> tuple[list[Refusal], list[dict[str, Any]]]:
    counts: Counter[tuple[str, str]] = Counter()
    examples: dict[tuple[str, str], str] = {}
    kept: list[dict[str, Any]] = []
    for block in log.rejects.blocks:
        key = (block.column, block.reason)
        counts[key] += len(block.rows)
        rows = _rows_in_file(block, parts.get(block.file))
        examples[key] = f'"{shown(block.texts[0])}" in {block.file}, row {rows[0]}, {REASONS[block.reason]}'
        for row, text in zip(rows[: MOST_KEPT - len(kept)], block.texts, strict=False):
            kept.append(
                {
                    "received_s": int(now_s),
                    "source": name,
                    "station": log.station,
                    "file": block.file,
                    "row": int(row),
                    "column": block.column,
                    "why": block.reason,
                    "item": str(text)[:500],
                }
            )
    return [Refusal(log.station, tag, why, n, examples[tag, why]) for (tag, why), n in counts.items()], kept


def _rows_in_file(block: RejectBlock, part: NewPart | None) -> IntArray:
    """Rows of the whole file; the part that was read lacks those before it."""
    if part is None:
        return block.rows
    rows: IntArray = np.where(block.rows > part.head_lines, block.rows + part.lines_before, block.rows)
    return rows


def _literal(name: str) -> str:
    """A path as a pattern that matches it alone."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)
