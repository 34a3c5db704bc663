"""Parquet files of the embedded archive: their names, how they are written, read and merged.

A file holds rows of many stations, sorted by station and time, so that the statistics Parquet keeps of each
row group lead straight to one station's rows. Its name says which appends it covers and how many rows it
holds: ``00000012-00000019-5760.parquet`` covers appends 12 to 19.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from steadyhead.archive.archive import CHANNELS
from steadyhead.archive.rows import Pieces, Rows
from steadyhead.errors import ArchiveError, OutputError
from steadyhead.files import write_atomically
from steadyhead.types import IntArray

ROW_GROUP = 32_768  # rows that are read to get at one station's; a day at one reading a minute is 1,440
_NAME = re.compile(r"(\d{8,})-(\d{8,})-(\d+)\.parquet\Z")


@dataclass(frozen=True, slots=True, order=True)
class Segment:
    """One file: it covers the appends ``first`` to ``last`` of its day and group."""

    first: int
    last: int
    n_rows: int
    path: Path

    @classmethod
    def of(cls, path: Path) -> Segment | None:
        """What the name says; None if it is no segment's."""
        found = _NAME.match(path.name)
        return cls(int(found[1]), int(found[2]), int(found[3]), path) if found else None

    @classmethod
    def named(cls, folder: Path, first: int, last: int, n_rows: int) -> Segment:
        """A segment to be written."""
        return cls(first, last, n_rows, folder / f"{first:08d}-{last:08d}-{n_rows}.parquet")


def table_of(names: Sequence[str], which: IntArray, rows: Rows) -> Any:
    """Arrow table of rows of several stations.

    names : rising; which : shape (n,) index into it, rising, and times rising within a station
    """
    columns = {
        "station": pa.DictionaryArray.from_arrays(
            pa.array(which.astype(np.int32)), pa.array(names, pa.string())
        ),
        "time_s": pa.array(rows.times_s),
        **{name: pa.array(rows.values[:, n], from_pandas=True) for n, name in enumerate(CHANNELS)},
        "flags": pa.array(rows.flags),
    }
    return pa.table(columns)


def pieces_table(names: Sequence[str], which: IntArray, pieces: Pieces) -> Any:
    """Arrow table of 15-minute pieces, as ``table_of``."""
    columns: dict[str, Any] = {
        "station": pa.DictionaryArray.from_arrays(
            pa.array(which.astype(np.int32)), pa.array(names, pa.string())
        ),
        "time_s": pa.array(pieces.times_s),
    }
    for n, name in enumerate(CHANNELS):
        for part in ("low", "mean", "high"):
            columns[f"{name}_{part}"] = pa.array(getattr(pieces, part)[:, n], from_pandas=True)
        columns[f"{name}_n"] = pa.array(pieces.counts[:, n].astype(np.int32))
    return pa.table(columns)


def write(path: Path, table: Any) -> None:
    """Write a file whole or not at all. Raises ArchiveError if it cannot be written."""
    try:
        write_atomically(
            path,
            lambda file: pq.write_table(table, file, compression="zstd", row_group_size=ROW_GROUP),
        )
    except OutputError as exc:
        raise ArchiveError(f"{exc}. Readings wait in the journal") from exc
    except (pa.ArrowException, OSError) as exc:
        raise ArchiveError(
            f"{path}: cannot be written ({exc}); free some space there. Readings wait in the journal"
        ) from exc


def read(path: Path, station: str | None = None, columns: Sequence[str] | None = None) -> Any:
    """Table of a file, all of it or one station's rows.

    Raises ArchiveError if it cannot be read, FileNotFoundError if it was merged away meanwhile.
    """
    try:
        with pq.ParquetFile(path) as file:
            wanted = list(range(file.num_row_groups)) if station is None else _groups_with(file, station)
            table = file.read_row_groups(wanted, columns=columns, use_threads=False)
    except FileNotFoundError:
        raise
    except (pa.ArrowException, OSError) as exc:
        raise ArchiveError(
            f"{path}: cannot be read ({str(exc).splitlines()[0]}); restore it from a backup, or delete it to "
            "go on without what it holds"
        ) from exc
    if station is None:
        return table
    return table.filter(pc.equal(table["station"].cast(pa.string()), station))


def rows_in(table: Any) -> Rows:
    """Rows of a table, of whichever stations."""
    values = [table[name].to_numpy() for name in CHANNELS]
    return Rows(
        table["time_s"].to_numpy().astype(np.int64),
        np.stack([np.asarray(v, dtype=np.float64) for v in values], axis=1),
        table["flags"].to_numpy().astype(np.uint16),
    )


def pieces_in(table: Any) -> Pieces:
    """Pieces of a table, of whichever stations."""

    def stacked(part: str) -> Any:
        return np.stack(
            [np.asarray(table[f"{name}_{part}"].to_numpy(), dtype=np.float64) for name in CHANNELS], axis=1
        )

    return Pieces(
        table["time_s"].to_numpy().astype(np.int64),
        stacked("low"),
        stacked("mean"),
        stacked("high"),
        stacked("n").astype(np.int64),
    )


def stations_in(table: Any) -> tuple[list[str], IntArray]:
    """Names in rising order, and the index of each row's, shape (n,)."""
    names = np.asarray(table["station"].cast(pa.string()).to_numpy(zero_copy_only=False), dtype=object)
    if not len(names):
        return [], np.zeros(0, dtype=np.int64)
    found, which = np.unique(names.astype(str), return_inverse=True)
    return [str(name) for name in found], which.astype(np.int64)


def _groups_with(file: Any, station: str) -> list[int]:
    found = []
    for number in range(file.num_row_groups):
        known = file.metadata.row_group(number).column(0).statistics
        if known is None or not known.has_min_max or known.min <= station <= known.max:
            found.append(number)
    return found
