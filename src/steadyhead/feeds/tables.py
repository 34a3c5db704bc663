"""Log files opened as batches of columns: CSV in its dialects, gzip, Parquet."""

from __future__ import annotations

import csv
import gzip
import re
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq
from numpy.typing import NDArray

from steadyhead.config.model import Source
from steadyhead.errors import FeedError
from steadyhead.feeds.log_text import HeadLines, as_utf8
from steadyhead.feeds.unpack import gunzip
from steadyhead.types import IntArray

Batch = dict[str, Any]
"""Column name to Arrow array; all of one length."""

_DELIMITERS = (",", ";", "\t", "|")
_BLOCK_BYTES = 8 << 20
_BATCH_ROWS = 65_536  # a batch and what is worked out from it stay small beside the log, and in cache
_HEAD_ROWS = 500_000


@dataclass(slots=True)
class Table:
    """One opened file.

    columns : headings, in order; empty if the file holds nothing
    broken : rows with the wrong number of columns met so far: (row, text)
    """

    path: Path
    columns: list[str]

    def batches(self, wanted: list[str]) -> Iterator[Batch]:
        """The wanted columns, piece by piece. Raises FeedError where the file turns out to be corrupt."""
        raise NotImplementedError

    def head(self, wanted: list[str]) -> Batch | None:
        """Enough of the first rows to see what the file holds; None if it has none. Raises as ``batches``."""
        return next(self.batches(wanted), None)

    def rows_of(self, indices: IntArray | NDArray[np.int32]) -> IntArray:
        """Rows in the file, from 1, of the n-th good rows; complete once all batches were read."""
        return indices.astype(np.int64) + 1

    @property
    def broken(self) -> list[tuple[int, str]]:
        """Rows that could not be split into the heading's columns: row in the file, and text."""
        return []


def open_table(path: Path, source: Source) -> Table:
    """Open a log file; what it is shows in its first bytes, not in its name.

    Returns a table; its ``columns`` are empty if the file is empty.
    Raises FeedError if it cannot be opened, is corrupt, or is no table.
    """
    try:
        raw = path.read_bytes()
    except OSError as exc:
        raise FeedError(f"{path}: cannot be opened ({exc.strerror}); check the path and its rights") from exc
    if raw[:2] == b"\x1f\x8b":
        raw = _gunzip(raw, path)
    if raw[:4] == b"PAR1":
        return _open_parquet(raw, path)
    if ".parquet" in path.suffixes and raw:
        raise FeedError(f"{path}: is not a Parquet file although its name says so; export or copy it again")
    if raw[:4] in (b"PK\x03\x04", b"\xd0\xcf\x11\xe0"):
        raise FeedError(f"{path}: is a spreadsheet or zip archive; save it as CSV, or unpack it first")
    return _open_csv(raw, path, source)


def _gunzip(raw: bytes, path: Path) -> bytes:
    try:
        return gunzip(raw)
    except (EOFError, gzip.BadGzipFile, zlib.error) as exc:
        raise FeedError(f"{path}: the gzip file is cut short or corrupt ({exc}); copy it again") from exc


# ---------------------------------------------------------------- Parquet


@dataclass(slots=True)
class _ParquetTable(Table):
    file: Any

    def batches(self, wanted: list[str]) -> Iterator[Batch]:
        yield from self._batches(wanted, _BATCH_ROWS)
        # Arrow keeps the memory that decoding took, which may be more than the readings, until told otherwise
        pa.default_memory_pool().release_unused()

    def head(self, wanted: list[str]) -> Batch | None:
        return next(self._batches(wanted, _HEAD_ROWS), None)

    def _batches(self, wanted: list[str], most_rows: int) -> Iterator[Batch]:
        try:
            for batch in self.file.iter_batches(columns=wanted, batch_size=most_rows, use_threads=False):
                yield dict(zip(batch.schema.names, batch.columns, strict=True))
        except (pa.ArrowException, OSError) as exc:
            raise FeedError(_corrupt_parquet(self.path, exc)) from exc


def _open_parquet(raw: bytes, path: Path) -> Table:
    try:
        file = pq.ParquetFile(pa.BufferReader(raw))
    except (pa.ArrowException, OSError) as exc:
        raise FeedError(_corrupt_parquet(path, exc)) from exc
    return _ParquetTable(path, list(file.schema_arrow.names) if file.metadata.num_rows else [], file)


def _corrupt_parquet(path: Path, exc: Exception) -> str:
    return f"{path}: the Parquet file is cut short or corrupt ({_first_line(exc)}); export or copy it again"


# ---------------------------------------------------------------- CSV


@dataclass(slots=True)
class _CsvTable(Table):
    body: Any
    delimiter: str
    rows_before: int
    skipped: list[tuple[int, str]] = field(default_factory=list)

    def batches(self, wanted: list[str]) -> Iterator[Batch]:
        short = {name: f"c{self.columns.index(name)}" for name in wanted}  # headings may be empty or repeat
        names = [f"c{n}" for n in range(len(self.columns))]
        try:
            reader = arrow_csv.open_csv(
                pa.BufferReader(self.body),
                # one thread, so that broken rows come with their number
                read_options=arrow_csv.ReadOptions(
                    use_threads=False, column_names=names, block_size=_BLOCK_BYTES
                ),
                parse_options=arrow_csv.ParseOptions(
                    delimiter=self.delimiter, ignore_empty_lines=False, invalid_row_handler=self._skip
                ),
                convert_options=arrow_csv.ConvertOptions(
                    include_columns=list(short.values()),
                    column_types=dict.fromkeys(short.values(), pa.string()),
                    null_values=[""],
                    strings_can_be_null=True,
                ),
            )
            for batch in reader:
                yield {name: batch.column(batch.schema.get_field_index(c)) for name, c in short.items()}
        except (pa.ArrowException, OSError) as exc:
            raise FeedError(self._unreadable(exc)) from exc

    def _skip(self, row: Any) -> str:
        self.skipped.append((row.number, row.text))
        return "skip"

    def _unreadable(self, exc: Exception) -> str:
        return f"{self.path}: cannot be read as CSV ({_first_line(exc)}); check delimiter and skip_rows"

    def rows_of(self, indices: IntArray | NDArray[np.int32]) -> IntArray:
        numbers = np.array([number for number, _ in self.skipped], dtype=np.int64)
        skipped_before = np.searchsorted(numbers - np.arange(len(numbers)) - 1, indices, side="right")
        rows: IntArray = indices + 1 + skipped_before + self.rows_before
        return rows

    @property
    def broken(self) -> list[tuple[int, str]]:
        return [(number + self.rows_before, text) for number, text in self.skipped if text.strip()]


def _open_csv(raw: bytes, path: Path, source: Source) -> Table:
    text = as_utf8(raw, path, source)
    lines = HeadLines(text)
    for _ in range(source.skip_rows):
        lines.next()
    delimiter = source.delimiter
    heading = lines.next()
    if heading.startswith("sep=") and len(heading) == 5:  # written by spreadsheets
        delimiter = delimiter or heading[4]
        heading = lines.next()
    while not heading.strip() and not lines.at_end:
        heading = lines.next()
    if not heading.strip():
        return Table(path, [])
    if "\ufffd" in heading:
        raise FeedError(
            f"{path}: its heading is not UTF-8 text; add encoding: latin-1 or cp1252 to its source"
        )
    delimiter = delimiter or max(_DELIMITERS, key=_outside_quotes(heading).count)
    if source.column_names is not None:
        columns, start, before = list(source.column_names), lines.last_start, lines.count - 1
    else:
        columns = _split(heading, delimiter, path)
        start, before = lines.position, lines.count
    if not text[start : start + 4096].strip() and not text[start:].strip():
        return Table(path, [])
    return _CsvTable(path, columns, pa.py_buffer(text).slice(start), delimiter, before)


def _split(heading: str, delimiter: str, path: Path) -> list[str]:
    try:
        names = next(csv.reader([heading], delimiter=delimiter, skipinitialspace=True))
    except csv.Error as exc:
        raise FeedError(f"{path}: its heading cannot be read ({exc}); check delimiter and skip_rows") from exc
    return [name.strip() for name in names]


def _outside_quotes(line: str) -> str:
    return re.sub(r'"[^"]*"', "", line)


def _first_line(exc: Exception) -> str:
    return str(exc).splitlines()[0].strip().rstrip(".") if str(exc).strip() else type(exc).__name__
