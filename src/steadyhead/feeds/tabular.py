"""Stations read from CSV and Parquet files, wide or long."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.config.model import Role, Source, Station, Tag
from steadyhead.errors import FeedError
from steadyhead.feeds.cells import Cells, read_cells
from steadyhead.feeds.finding import find_files
from steadyhead.feeds.order import in_order
from steadyhead.feeds.stamps import Stamps, read_stamps
from steadyhead.feeds.strips import Origin, Piece, Strip, join, joined
from steadyhead.feeds.tables import Batch, Table, open_table
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import REASONS, Reason, RejectBlock, Rejects, shown
from steadyhead.readings.series import Series, StationLog
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray

OnFile = Callable[[Path], None]
"""Called after each file that was read."""


@dataclass(frozen=True, slots=True)
class TabularFeed:
    """Feed that reads the files under a log root."""

    log_root: Path

    def read(self, station: Station) -> StationLog:
        """Read all files of a station. Raises FeedError as ``read_station`` does."""
        return read_station(station, self.log_root)


def read_station(
    station: Station,
    log_root: Path | str,
    *,
    roles: Iterable[Role] | None = None,
    on_file: OnFile | None = None,
) -> StationLog:
    """Read every file of a station's sources.

    roles : only these, where a caller needs no others; all declared ones if None
    Returns series per role in kPa and L/s, sorted, each time once; refused values are NaN with flags, and
        every one of them is listed in ``rejects``. Empty cells are no readings.
    Raises FeedError if a file is missing, empty as a whole source, or corrupt, or if a tag is nowhere found
        or holds no usable value.
    """
    wanted = {role: tag for role, tag in station.tags.items() if roles is None or role in set(roles)}
    reader = _Reader(station, wanted, Path(log_root))
    for source in station.sources:
        reader.read(source, on_file or (lambda _path: None))
    return StationLog(station.name, reader.finish(), reader.rejects)


@dataclass(slots=True)
class _Reader:
    """State while the sources of one station are read."""

    station: Station
    tags: dict[Role, Tag]
    log_root: Path
    rejects: Rejects = field(init=False)
    strips: list[Strip] = field(default_factory=list)
    met: dict[str, None] = field(default_factory=dict)  # columns or tags met, for messages
    found: set[Role] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.rejects = Rejects(self.station.name)

    # ------------------------------------------------------------ files

    def read(self, source: Source, on_file: OnFile) -> None:
        """Read all files of a source into strips."""
        files = find_files(self.station, source, self.log_root)
        together: list[Piece] = []
        apart: dict[Role, list[Piece]] = {role: [] for role in self.tags}
        empty: list[str] = []
        for path in files:
            table = open_table(path, source)
            if not table.columns:
                empty.append(path.name)
            elif source.layout == "wide":
                together.append(self._read_wide(table, source))
            else:
                for role, piece in self._read_long(table, source).items():
                    apart[role].append(piece)
            on_file(path)
        if len(empty) == len(files):
            raise FeedError(
                f"{self.station.name}: {files[0]} is empty"
                + (f", and so are the other {len(files) - 1} files of this source" if len(files) > 1 else "")
                + "; export it again, or mend path of this source in the registry"
            )
        if empty:
            listed = ", ".join(empty[:3]) + (", ..." if len(empty) > 3 else "")
            self.rejects.notes.append(f"{len(empty)} of {len(files)} files are empty: {listed}")
        groups = [(pieces, [role]) for role, pieces in apart.items()]
        for pieces, roles in [(together, list(self.tags))] if source.layout == "wide" else groups:
            strip = join(pieces, roles, self.station, source, self.rejects)
            if len(strip.us):
                self.strips.append(strip)

    def _read_wide(self, table: Table, source: Source) -> Piece:
        columns = self._wide_columns(table, source)
        codes = dict.fromkeys(columns, source.quality_column)
        if source.quality_suffix is not None:
            codes = {role: f"{name}{source.quality_suffix}" for role, name in columns.items()}
        wanted = [*_time_columns(source), *columns.values(), *(name for name in codes.values() if name)]
        self._need(table, wanted)
        piece, first = Piece(self._shown(table.path)), 0
        rest = _Rest(table, piece.file, self.rejects)
        for batch in table.batches(list(dict.fromkeys(wanted))):
            stamps, keep = self._stamps(batch, source, rest, first)
            cells = {}
            for role, name in columns.items():
                code = codes[role]
                cells[role] = read_cells(batch[name], batch[code] if code else None, source, self.tags[role])
                rest.note(cells[role], batch[name], name, first, ~stamps.is_bad)
            piece.add(stamps, keep, np.arange(first, first + len(stamps.us)), cells)
            first += len(stamps.us)
        self.found |= set(columns)
        rest.finish([piece])
        return piece

    def _read_long(self, table: Table, source: Source) -> dict[Role, Piece]:
        code = source.quality_column
        wanted = [*_time_columns(source), source.tag_column, source.value_column, *([code] if code else [])]
        self._need(table, wanted)
        name = self._shown(table.path)
        pieces = {role: Piece(name) for role in self.tags}
        rest, first = _Rest(table, name, self.rejects), 0
        for batch in table.batches(list(dict.fromkeys(wanted))):
            names = pc.utf8_trim_whitespace(pc.cast(batch[source.tag_column], pa.string()))
            self.met.update(dict.fromkeys(text for text in pc.unique(names).to_pylist() if text))
            for role, tag in self.tags.items():
                at = np.flatnonzero(pc.equal(names, tag.tag).fill_null(False).to_numpy(zero_copy_only=False))
                if not len(at):
                    continue
                part = {column: pc.take(array, pa.array(at)) for column, array in batch.items()}
                stamps, keep = self._stamps(part, source, rest, first, at)
                values = part[source.value_column]
                cells = read_cells(values, part[code] if code else None, source, tag)
                rest.note(cells, values, tag.tag, first, ~stamps.is_bad, at)
                pieces[role].add(stamps, keep, first + at, {role: cells})
                self.found.add(role)
            first += len(names)
        rest.finish(list(pieces.values()))
        return pieces

    def _stamps(
        self, batch: Batch, source: Source, rest: _Rest, first: int, at: IntArray | None = None
    ) -> tuple[Stamps, IntArray]:
        column = batch[source.time_column]
        dates = batch[source.date_column] if source.date_column else None
        stamps = read_stamps(column, dates, source)
        bad = np.flatnonzero(stamps.is_bad)
        if dates is not None:
            column = pc.binary_join_element_wise(
                pc.cast(dates, pa.string()), pc.cast(column, pa.string()), " ", null_handling="replace"
            )
        blank = np.zeros(len(stamps.us), dtype=np.bool_)
        if len(bad):
            blank = _blank_rows(batch)
        bad = bad[~blank[bad]]
        rest.refuse("bad_time", source.time_column, first, bad, pc.take(column, pa.array(bad)), at)
        return stamps, np.flatnonzero(~stamps.is_bad)

    # ------------------------------------------------------------ columns

    def _wide_columns(self, table: Table, source: Source) -> dict[Role, str]:
        """Column of each role that this file holds."""
        named = source.columns or {role: tag.tag for role, tag in self.tags.items()}
        self.met.update(dict.fromkeys(table.columns))
        columns = {role: name for role, name in named.items() if role in self.tags and name in table.columns}
        if not columns and not any(tag.tag in table.columns for tag in self.station.tags.values()):
            listed = ", ".join(f'"{name}"' for name in named.values())
            raise FeedError(
                f"{self._where(table)}: has none of the columns {listed}; it has {_listed(table.columns)}; "
                "mend tag or columns in the registry" + _near(next(iter(named.values()), ""), table.columns)
            )
        return columns

    def _need(self, table: Table, wanted: list[str]) -> None:
        for name in wanted:
            if name not in table.columns:
                what = "delimiter, skip_rows" if len(table.columns) < 2 else "the column names"
                raise FeedError(
                    f'{self._where(table)}: has no column "{name}"; it has {_listed(table.columns)}; '
                    f"mend {what} of this source in the registry" + _near(name, table.columns)
                )
            if table.columns.count(name) > 1:
                raise FeedError(
                    f'{self._where(table)}: has {table.columns.count(name)} columns named "{name}"; '
                    "rename all but one, or give column_names and skip_rows for this source"
                )

    def _where(self, table: Table) -> str:
        return f"{self.station.name}: {table.path}"

    def _shown(self, path: Path) -> str:
        try:
            return path.relative_to(self.log_root).as_posix()
        except ValueError:
            return str(path)

    # ------------------------------------------------------------ series

    def finish(self) -> dict[Role, Series]:
        """Series of all roles, from all strips."""
        series = {role: self._series(role, tag) for role, tag in self.tags.items()}
        self.strips.clear()
        return series

    def _series(self, role: Role, tag: Tag) -> Series:
        origin, us, values, flags = _of_role(self.strips, role)
        if role not in self.found:
            raise FeedError(
                f'{self.station.name}: tag "{tag.tag}" ({role}) is in none of its files; they hold '
                f"{_listed(list(self.met))}; mend stations.{self.station.name}.tags.{role}.tag"
                + _near(tag.tag, list(self.met))
            )
        if np.isnan(values).all():
            raise FeedError(self._nothing_usable(role, tag))
        order = in_order(us, values, origin.starts)
        self.rejects.out_of_order = max(self.rejects.out_of_order, order.n_out_of_order)
        column = tag.tag
        pairs: list[tuple[Reason, IntArray]] = [
            ("duplicate", order.duplicates),
            ("conflicting_duplicate", order.conflicting),
        ]
        for reason, at in pairs:
            texts = [f"{value:.12g}" for value in values[at]]
            for block in origin.blocks(at, texts, column, reason):
                self.rejects.add(block)
        kept_flags = flags[order.kept]
        kept_flags[order.has_conflict] |= flag.CONFLICT
        numbers = (values[order.kept] * tag.scale + tag.offset) * tag.factor
        self.rejects.kept += int((~np.isnan(numbers)).sum())
        return Series(self._seconds(us[order.kept]), numbers, kept_flags)

    def _seconds(self, us: IntArray) -> IntArray:
        """Second at whose end a value was known, whole, never before it was measured."""
        early_us = us - round(self.station.jitter_s * 1e6)
        seconds: IntArray = -(-early_us // 1_000_000)
        return seconds + self.station.step_s if self.station.stamped == "start" else seconds

    def _nothing_usable(self, role: Role, tag: Tag) -> str:
        start = f'{self.station.name}: tag "{tag.tag}" ({role}) has no usable value'
        names = {tag.tag, *(source.columns.get(role, tag.tag) for source in self.station.sources)}
        times = {source.time_column for source in self.station.sources}
        blocks = [b for b in self.rejects.blocks if b.column in names] or [
            b for b in self.rejects.blocks if b.column in times or b.reason == "broken_row"
        ]
        if not blocks:
            return f"{start}: all its cells are empty; take the tag out of the registry, or mend the export"
        block = max(blocks, key=lambda b: len(b.rows))
        total = sum(len(b.rows) for b in blocks)
        hint = "mend unit, quality, bad_values or time_format of this source in the registry"
        if block.reason == "not_a_number" and "," in block.texts[0]:
            hint = 'if the comma is its decimal mark, add decimal: "," to this source'
        return (
            f'{start}: {total} were refused, such as "{shown(block.texts[0])}" in {block.file}, '
            f"row {block.rows[0]}, which {REASONS[block.reason]}; {hint}"
        )


@dataclass(slots=True)
class _Rest:
    """Refusals of one file, whose row numbers are known only when all of it was read."""

    table: Table
    file: str
    rejects: Rejects
    waiting: list[tuple[Reason, str, IntArray, list[str]]] = field(default_factory=list)

    def refuse(
        self, reason: Reason, column: str, first: int, at: IntArray, texts: Any, rows: IntArray | None
    ) -> None:
        """Note refused cells ``at`` of a batch that starts at good row ``first``; ``rows`` maps them."""
        if len(at):
            words = ["" if text is None else str(text) for text in texts.to_pylist()]
            self.waiting.append((reason, column, first + (at if rows is None else rows[at]), words))

    def note(
        self,
        cells: Cells,
        column: Any,
        name: str,
        first: int,
        has_time: BoolArray,
        rows: IntArray | None = None,
    ) -> None:
        """Note the refused cells of a column in rows that have a time, and count its empty ones."""
        for reason, at in cells.refused:
            timed = at[has_time[at]]
            self.refuse(reason, name, first, timed, pc.take(column, pa.array(timed)), rows)
        self.rejects.missing += int((np.isnan(cells.values) & (cells.flags == 0) & has_time).sum())

    def finish(self, pieces: list[Piece]) -> None:
        """Hand over the refusals with their rows, and give the pieces their rows."""
        for reason, column, indices, texts in self.waiting:
            self.rejects.add(RejectBlock(self.file, column, reason, self.table.rows_of(indices), texts))
        for piece in pieces:
            piece.indices = [self.table.rows_of(part).astype(np.int32) for part in piece.indices]
        broken = self.table.broken
        if broken:
            rows = np.array([row for row, _ in broken], dtype=np.int64)
            self.rejects.add(RejectBlock(self.file, "", "broken_row", rows, [text for _, text in broken]))


def _time_columns(source: Source) -> list[str]:
    return [source.time_column, *([source.date_column] if source.date_column else [])]


def _blank_rows(batch: Batch) -> BoolArray:
    """Rows in which every cell is empty: blank lines, which are nobody's mistake."""
    blank = None
    for column in batch.values():
        nulls = column.is_null().to_numpy(zero_copy_only=False)
        blank = nulls.copy() if blank is None else blank & nulls
    return np.zeros(0, dtype=np.bool_) if blank is None else blank


def _of_role(strips: list[Strip], role: Role) -> tuple[Origin, IntArray, FloatArray, FlagArray]:
    """Readings of a role from all strips, without empty cells."""
    files: list[str] = []
    starts: list[int] = []
    rows, us, values, flags = [], [], [], []
    n = 0
    for strip in strips:
        if role not in strip.values:
            continue
        mine, why = strip.values.pop(role), strip.flags.pop(role)  # handed over, to be freed when used
        is_there = ~np.isnan(mine) | (why != 0)
        files += strip.origin.files
        starts += [n + int(is_there[:start].sum()) for start in strip.origin.starts]
        keep: BoolArray | slice = slice(None) if is_there.all() else is_there  # spares the copies
        rows.append(strip.origin.rows[keep])
        us.append(strip.us[keep])
        values.append(mine[keep])
        flags.append(why[keep])
        n += len(us[-1])
    if not us:
        none = np.zeros(0, dtype=np.int64)
        return Origin([], none, none.astype(np.int32)), none, np.zeros(0), np.zeros(0, dtype=np.uint16)
    origin = Origin(files, np.array(starts, dtype=np.int64), joined(rows, np.int32))
    return origin, joined(us, np.int64), joined(values, np.float64), joined(flags, np.uint16)


def _listed(names: list[str]) -> str:
    quoted = ", ".join(f'"{shown(name)}"' for name in names[:8])
    return (quoted + (", ..." if len(names) > 8 else "")) or "nothing"


def _near(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    return f'; did you mean "{near[0]}"?' if near else ""
