"""Readings written as a logger or historian would export them: CSV in its dialects, gzip, Parquet.

The other way round from ``feeds``: here working units and UTC become what a utility's export holds, faults
of the export included, so that reading them back can be tried on files whose content is known.
"""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from steadyhead.files import write_atomically
from steadyhead.readings.frame import Readings
from steadyhead.types import BoolArray, FloatArray, IntArray
from steadyhead.units import from_working

Channel = Literal["inlet", "outlet", "flow", "command", "neighbour"]
CHANNEL_ARRAYS: dict[Channel, str] = {
    "inlet": "inlet_kpa",
    "outlet": "outlet_kpa",
    "flow": "flow_lps",
    "command": "command_kpa",
    "neighbour": "neighbour_kpa",
}
GOOD, BAD_COMMUNICATION = 192, 24  # OPC DA quality: good; bad, communication failure
LATE_ROWS = 3  # rows by which a late row is late
SETTLING_S = 3600  # a simulated station starts away from its balance; its log starts when it has found it


@dataclass(frozen=True, slots=True)
class Dialect:
    """How an export is written.

    tags : channel to its name in the log; channels left out are not logged
    units, decimals : by channel
    time_zone : of the clock in the log; its times carry no offset unless ``offset`` is asked for
    time_form : strftime pattern; Parquet holds UTC timestamps whatever it says
    days_per_file : 0 for one file
    with_quality : a quality column, OPC DA numbers (long layout)
    """

    tags: dict[Channel, str]
    units: dict[Channel, str]
    decimals: dict[Channel, int]
    layout: Literal["wide", "long"] = "wide"
    kind: Literal["csv", "csv.gz", "parquet"] = "csv"
    time_zone: str = "UTC"
    time_form: str = "%Y-%m-%d %H:%M:%S"
    time_heading: str = "time"
    delimiter: str = ","
    decimal: str = "."
    line_end: str = "\n"
    byte_order_mark: bool = False
    with_quality: bool = False
    on_change: bool = False
    heartbeat_s: int = 3600
    days_per_file: int = 0


@dataclass(frozen=True, slots=True)
class Blemishes:
    """What an export gets wrong: numbers of rows or cells, spread at random.

    marks : (text, count) of cells overwritten by a mark for "no value", or by a word
    duplicates : rows written twice; late : rows that stand a few rows below their place
    bad_quality : readings of bad quality, whose value is not to be trusted (long layout)
    """

    marks: tuple[tuple[str, int], ...] = ()
    duplicates: int = 0
    late: int = 0
    bad_quality: int = 0


@dataclass(slots=True)
class Written:
    """What was written: files, and how often each blemish really is in them."""

    files: list[Path] = field(default_factory=list)
    rows: int = 0
    blemishes: dict[str, int] = field(default_factory=dict)


def settled(readings: Readings) -> Readings:
    """The readings without the first hour of a simulation."""
    return readings.between(readings.start_s + SETTLING_S, readings.end_s)


@dataclass(slots=True)
class Rows:
    """Rows as text, before they go to a file: times in UTC and the cells after the time."""

    times_s: list[int]
    cells: list[list[str]]


def write_log(
    readings: Readings,
    dialect: Dialect,
    folder: Path,
    stem: str,
    blemishes: Blemishes | None = None,
    seed: int = 0,
) -> Written:
    """Write the readings of one station; returns files and counts.

    stem : start of the file names; several files get the first day of each added
    seed : of where the blemishes fall
    Raises OutputError if a file cannot be written.
    """
    if dialect.kind == "parquet":
        return _write_parquet(readings, dialect, folder, stem)
    rows = _long_rows(readings, dialect) if dialect.layout == "long" else _wide_rows(readings, dialect)
    written = Written(rows=len(rows.times_s))
    rows = _with_blemishes(rows, dialect, blemishes or Blemishes(), np.random.default_rng([seed, 5]), written)
    heading = _heading(dialect)
    for name, first, last in _pieces(np.array(rows.times_s), dialect, stem):
        text = _as_text(heading, rows, first, last, dialect)
        path = folder / name
        write_atomically(path, gzip.compress(text, mtime=0) if dialect.kind == "csv.gz" else text)
        written.files.append(path)
    return written


def logged(readings: Readings, dialect: Dialect) -> dict[Channel, FloatArray]:
    """Channels in the units of the log, rounded as they are written; each of shape (n_readings,)."""
    return {
        channel: np.round(
            from_working(getattr(readings, CHANNEL_ARRAYS[channel]), dialect.units[channel]),
            dialect.decimals[channel],
        )
        for channel in dialect.tags
    }


def _heading(dialect: Dialect) -> list[str]:
    if dialect.layout == "wide":
        return [dialect.time_heading, *dialect.tags.values()]
    return [dialect.time_heading, "tag", "value", *(["quality"] if dialect.with_quality else [])]


def _cell(value: float, decimals: int, decimal: str) -> str:
    if np.isnan(value):
        return ""
    text = f"{value:.{decimals}f}"
    return text.replace(".", decimal) if decimal != "." else text


def _wide_rows(readings: Readings, dialect: Dialect) -> Rows:
    channels = logged(readings, dialect)
    known = ~np.all([np.isnan(values) for values in channels.values()], axis=0)
    columns = [
        [_cell(value, dialect.decimals[channel], dialect.decimal) for value in values[known]]
        for channel, values in channels.items()
    ]
    return Rows(readings.times_s[known].tolist(), [list(row) for row in zip(*columns, strict=True)])


def _long_rows(readings: Readings, dialect: Dialect) -> Rows:
    quality = [str(GOOD)] if dialect.with_quality else []
    times: list[IntArray] = []
    places: list[IntArray] = []
    cells: list[list[str]] = []
    for place, (channel, values) in enumerate(logged(readings, dialect).items()):
        kept = np.flatnonzero(_reported(values, readings, dialect))
        times.append(readings.times_s[kept])
        places.append(np.full(len(kept), place))
        cells += [
            [dialect.tags[channel], _cell(value, dialect.decimals[channel], dialect.decimal), *quality]
            for value in values[kept]
        ]
    order = np.lexsort((np.concatenate(places), np.concatenate(times)))
    return Rows(np.concatenate(times)[order].tolist(), [cells[i] for i in order])


def _reported(values: FloatArray, readings: Readings, dialect: Dialect) -> BoolArray:
    """Readings that reach the log: all known ones, or only changes and heartbeats."""
    known = ~np.isnan(values)
    if not dialect.on_change:
        return known
    reported = np.zeros(len(values), dtype=np.bool_)
    last, silent_s = np.nan, 0
    for i, value in enumerate(values):
        silent_s += readings.step_s
        if known[i] and (value != last or silent_s >= dialect.heartbeat_s):
            reported[i] = True
            last, silent_s = value, 0
    return reported


def _with_blemishes(
    rows: Rows, dialect: Dialect, blemishes: Blemishes, rng: np.random.Generator, written: Written
) -> Rows:
    n = len(rows.times_s)
    value_at = 1 if dialect.layout == "long" else None
    cells = [list(row) for row in rows.cells]
    # One draw for all kinds, so that no row is hit twice and the counts below are exact.
    wanted = [count for _, count in blemishes.marks]
    wanted += [blemishes.bad_quality, blemishes.duplicates, blemishes.late]
    hit = rng.choice(np.arange(1, n - LATE_ROWS - 1), sum(wanted), replace=False)
    shares = np.split(hit, np.cumsum(wanted)[:-1])
    for (mark, _), where in zip(blemishes.marks, shares, strict=False):
        for row in where:
            column = value_at if value_at is not None else int(rng.integers(len(cells[row])))
            cells[row][column] = mark
        written.blemishes[mark] = len(where)
    bad, twice, late = shares[-3:]
    for row in bad:
        cells[row][1], cells[row][2] = _cell(0.0, 1, dialect.decimal), str(BAD_COMMUNICATION)
    written.blemishes |= {"bad_quality": len(bad), "duplicates": len(twice), "late": len(late)}
    written.blemishes = {name: count for name, count in written.blemishes.items() if count}
    place = np.arange(n, dtype=np.float64)
    place[late] += LATE_ROWS + 0.5
    place = np.concatenate([place, twice + 0.25])
    source = np.concatenate([np.arange(n), twice])[np.argsort(place, kind="stable")]
    return Rows([rows.times_s[i] for i in source], [cells[i] for i in source])


def _pieces(times_s: IntArray, dialect: Dialect, stem: str) -> Iterator[tuple[str, int, int]]:
    """File name, first row and last row (not included) of each file."""
    if not dialect.days_per_file:
        yield f"{stem}.{dialect.kind}", 0, len(times_s)
        return
    start_s = int(times_s.min())
    number = (np.maximum.accumulate(times_s) - start_s) // (dialect.days_per_file * 86400)
    for piece in np.unique(number):
        first, last = np.searchsorted(number, [piece, piece + 1])
        begins = datetime.fromtimestamp(
            start_s + int(piece) * dialect.days_per_file * 86400, ZoneInfo(dialect.time_zone)
        )
        yield f"{stem}_{begins:%Y-%m-%d}.{dialect.kind}", int(first), int(last)


def _as_text(heading: list[str], rows: Rows, first: int, last: int, dialect: Dialect) -> bytes:
    zone = ZoneInfo(dialect.time_zone)
    out = io.StringIO()
    out.write(dialect.delimiter.join(heading) + dialect.line_end)
    for at_s, cells in zip(rows.times_s[first:last], rows.cells[first:last], strict=True):
        time = datetime.fromtimestamp(at_s, zone).strftime(dialect.time_form)
        out.write(time + dialect.delimiter + dialect.delimiter.join(cells) + dialect.line_end)
    return (b"\xef\xbb\xbf" if dialect.byte_order_mark else b"") + out.getvalue().encode()


def _write_parquet(readings: Readings, dialect: Dialect, folder: Path, stem: str) -> Written:
    channels = logged(readings, dialect)
    known = ~np.all([np.isnan(values) for values in channels.values()], axis=0)
    times_s = readings.times_s[known]
    written = Written(rows=len(times_s))
    for name, first, last in _pieces(times_s, dialect, stem):
        columns = {dialect.time_heading: pa.array(times_s[first:last] * 1000, pa.timestamp("ms", tz="UTC"))}
        for channel, values in channels.items():
            # 32 bit, as loggers keep them; NaN becomes an empty cell.
            piece = values[known][first:last].astype(np.float32)
            columns[dialect.tags[channel]] = pa.array(piece, from_pandas=True)
        table = pa.table(columns)
        path = folder / name
        write_atomically(path, lambda file, table=table: pq.write_table(table, file, compression="zstd"))  # type: ignore[misc]
        written.files.append(path)
    return written


def utc_text(at_s: float) -> str:
    """Seconds since 1970-01-01 UTC as RFC 3339 text, to the second."""
    return datetime.fromtimestamp(int(at_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
