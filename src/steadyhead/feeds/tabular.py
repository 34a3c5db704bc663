"""Stations read from CSV and Parquet files, wide or long."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.config.model import Role, Source, Station, Tag
from steadyhead.errors import FeedError
from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.cells import read_cells
from steadyhead.feeds.finding import find_files
from steadyhead.feeds.headings import need_columns, time_columns, wide_columns
from steadyhead.feeds.refusals import Refusals
from steadyhead.feeds.role_series import nowhere, series_of
from steadyhead.feeds.stamps import Stamps, read_stamps
from steadyhead.feeds.strips import Piece, Strip, join
from steadyhead.feeds.tables import Batch, Table, open_table
from steadyhead.readings.rejects import Rejects
from steadyhead.readings.series import Series, StationLog
from steadyhead.types import BoolArray, IntArray

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
    is_part: bool = False,
) -> StationLog:
    """Read every file of a station's sources.

    roles : only these, where a caller needs no others; all declared ones if None
    is_part : the files are a few new rows of a log, in which a role may be missing or all refused
    Returns series per role in kPa and L/s, sorted, each time once; refused values are NaN with flags, and
        every one of them is listed in ``rejects``. Empty cells are no readings.
    Raises FeedError if a file is missing, empty as a whole source, or corrupt, or if a tag is nowhere found
        or holds no usable value.
    """
    if not station.sources:
        raise FeedError(
            f"{station.name}: has no log files, its readings come by a feed or by pushes (sources: [] in the "
            "registry); to read files, name them under sources"
        )
    wanted = {role: tag for role, tag in station.tags.items() if roles is None or role in set(roles)}
    reader = _Reader(station, wanted, Path(log_root), is_part)
    for source in station.sources:
        reader.read(source, on_file or (lambda _path: None))
    return StationLog(station.name, reader.finish(), reader.rejects)


@dataclass(slots=True)
class _Reader:
    """State while the sources of one station are read."""

    station: Station
    tags: dict[Role, Tag]
    log_root: Path
    is_part: bool = False
    rejects: Rejects = field(init=False)
    strips: list[Strip] = field(default_factory=list)
    met: dict[str, None] = field(default_factory=dict)  # columns or tags met, for messages
    found: set[Role] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.rejects = Rejects(self.station.name)

    def read(self, source: Source, on_file: OnFile) -> None:
        """Read all files of a source into strips."""
        files = find_files(self.station, source, self.log_root)
        together: list[Piece] = []
        apart: dict[Role, list[Piece]] = {role: [] for role in self.tags}
        empty: list[str] = []
        for path in files:
            if not self._read_file(path, source, together, apart):
                empty.append(path.name)
            on_file(path)
        if len(empty) == len(files):
            raise FeedError(
                f"{self.station.name}: {files[0]} is empty or has nothing below its heading"
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

    def _read_file(
        self, path: Path, source: Source, together: list[Piece], apart: dict[Role, list[Piece]]
    ) -> bool:
        """Read a file into pieces; False if there is nothing in it. Its bytes are let go of on return."""
        table = open_table(path, source)
        if not table.columns:
            return False
        if source.layout == "wide":
            together.append(self._read_wide(table, source))
        else:
            for role, piece in self._read_long(table, source).items():
                apart[role].append(piece)
        return True

    def _read_wide(self, table: Table, source: Source) -> Piece:
        self.met.update(dict.fromkeys(table.columns))
        columns = wide_columns(table, source, self.station, self.tags)
        codes = dict.fromkeys(columns, source.quality_column)
        if source.quality_suffix is not None:
            codes = {role: f"{name}{source.quality_suffix}" for role, name in columns.items()}
        wanted = [*time_columns(source), *columns.values(), *(name for name in codes.values() if name)]
        need_columns(table, source, self.station, wanted)
        piece, first = Piece(self._shown(table.path)), 0
        refusals = Refusals(table, piece.file, self.rejects)
        for batch in table.batches(list(dict.fromkeys(wanted))):
            stamps, keep = self._stamps(batch, source, refusals, first)
            cells = {}
            for role, name in columns.items():
                code = codes[role]
                cells[role] = read_cells(batch[name], batch[code] if code else None, source, self.tags[role])
                refusals.note(cells[role], batch[name], name, first, ~stamps.is_bad)
            piece.add(stamps, keep, np.arange(first, first + len(stamps.us)), cells)
            first += len(stamps.us)
        self.found |= set(columns)
        refusals.finish([piece])
        return piece

    def _read_long(self, table: Table, source: Source) -> dict[Role, Piece]:
        code = source.quality_column
        wanted = [*time_columns(source), source.tag_column, source.value_column, *([code] if code else [])]
        need_columns(table, source, self.station, wanted)
        name = self._shown(table.path)
        pieces = {role: Piece(name) for role in self.tags}
        refusals, first = Refusals(table, name, self.rejects), 0
        for batch in table.batches(list(dict.fromkeys(wanted))):
            names = pc.utf8_trim_whitespace(as_text(batch[source.tag_column]))
            self.met.update(dict.fromkeys(text for text in pc.unique(names).to_pylist() if text))
            for role, tag in self.tags.items():
                at = np.flatnonzero(pc.equal(names, tag.tag).fill_null(False).to_numpy(zero_copy_only=False))
                if not len(at):
                    continue
                part = {column: pc.take(array, pa.array(at)) for column, array in batch.items()}
                stamps, keep = self._stamps(part, source, refusals, first, at)
                values = part[source.value_column]
                cells = read_cells(values, part[code] if code else None, source, tag)
                refusals.note(cells, values, tag.tag, first, ~stamps.is_bad, at)
                pieces[role].add(stamps, keep, first + at, {role: cells})
                self.found.add(role)
            first += len(names)
        refusals.finish(list(pieces.values()))
        return pieces

    def _stamps(
        self, batch: Batch, source: Source, refusals: Refusals, first: int, at: IntArray | None = None
    ) -> tuple[Stamps, IntArray]:
        column = batch[source.time_column]
        dates = batch[source.date_column] if source.date_column else None
        stamps = read_stamps(column, dates, source)
        bad = np.flatnonzero(stamps.is_bad)
        if dates is not None:
            column = pc.binary_join_element_wise(
                as_text(dates), as_text(column), " ", null_handling="replace"
            )
        blank = np.zeros(len(stamps.us), dtype=np.bool_)
        if len(bad):
            blank = _blank_rows(batch)
        bad = bad[~blank[bad]]
        refusals.refuse("bad_time", source.time_column, first, bad, pc.take(column, pa.array(bad)), at)
        return stamps, np.flatnonzero(~stamps.is_bad)

    def _shown(self, path: Path) -> str:
        try:
            return path.relative_to(self.log_root).as_posix()
        except ValueError:
            return str(path)

    def finish(self) -> dict[Role, Series]:
        """Series of all roles, from all strips."""
        series: dict[Role, Series] = {}
        for role, tag in self.tags.items():
            if role not in self.found:
                if self.is_part:
                    continue
                raise FeedError(nowhere(role, tag, self.station, self.met))
            series[role] = series_of(role, tag, self.station, self.strips, self.rejects, self.is_part)
        self.strips.clear()
        return series


def _blank_rows(batch: Batch) -> BoolArray:
    """Rows in which every cell is empty: blank lines, which are nobody's mistake."""
    blank = None
    for column in batch.values():
        nulls = column.is_null().to_numpy(zero_copy_only=False)
        blank = nulls.copy() if blank is None else blank & nulls
    return np.zeros(0, dtype=np.bool_) if blank is None else blank
