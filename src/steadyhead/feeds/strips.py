"""Batches of one source joined into strips: a column of times with the values read at those times."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from steadyhead.config.model import Role, Source, Station
from steadyhead.feeds.cells import Cells
from steadyhead.feeds.local_time import to_utc
from steadyhead.feeds.stamps import Stamps
from steadyhead.readings.rejects import Reason, RejectBlock, Rejects
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray

Item = TypeVar("Item", bound=np.generic)


@dataclass(slots=True)
class Piece:
    """What one file gave to a strip: parts of arrays, all of one length per batch."""

    file: str
    us: list[IntArray] = field(default_factory=list)
    is_utc: list[BoolArray] = field(default_factory=list)
    indices: list[NDArray[np.int32]] = field(default_factory=list)
    values: dict[Role, list[FloatArray]] = field(default_factory=dict)
    flags: dict[Role, list[FlagArray]] = field(default_factory=dict)

    def add(self, stamps: Stamps, keep: IntArray, indices: IntArray, cells: dict[Role, Cells]) -> None:
        """Append the kept rows of one batch."""
        rows: IntArray | slice = slice(None) if len(keep) == len(stamps.us) else keep  # spares the copies
        self.us.append(stamps.us[rows].copy())  # else it would keep the reader's buffers of the batch
        self.is_utc.append(stamps.is_utc[rows])
        self.indices.append(indices[rows].astype(np.int32))
        for role, cell in cells.items():
            self.values.setdefault(role, []).append(cell.values[rows])
            self.flags.setdefault(role, []).append(cell.flags[rows])

    def __len__(self) -> int:
        return sum(map(len, self.us))

    def runs_backwards(self) -> bool:
        """Whether more rows are followed by an earlier than by a later one."""
        return sum(int(np.sign(np.diff(part)).sum()) for part in self.us) < 0

    def turn_round(self) -> None:
        """Put the last row first."""
        columns: list[list[Any]] = [self.us, self.is_utc, self.indices]
        for parts in (*columns, *self.values.values(), *self.flags.values()):
            parts[:] = [part[::-1] for part in reversed(parts)]

    def take_values(self, role: Role) -> list[FloatArray]:
        """Hand over the values of a role; NaN if the file has no such column."""
        return self.values.pop(role, None) or [np.full(len(self), np.nan)]

    def take_flags(self, role: Role) -> list[FlagArray]:
        """Hand over the flags of a role."""
        return self.flags.pop(role, None) or [np.zeros(len(self), dtype=np.uint16)]


@dataclass(slots=True)
class Origin:
    """Which file each row of joined arrays came from.

    files : names;  starts : shape (n_files,) first position of each in the joined arrays
    rows : shape (n,) row in the file
    """

    files: list[str]
    starts: IntArray
    rows: NDArray[np.int32]

    def blocks(self, at: IntArray, texts: list[str], column: str, reason: Reason) -> list[RejectBlock]:
        """Refused values at the positions ``at`` (rising), one block per file."""
        owner = np.searchsorted(self.starts, at, side="right") - 1
        cuts = np.flatnonzero(np.diff(owner)) + 1
        edges = [0, *cuts.tolist(), len(at)]
        return [
            RejectBlock(self.files[owner[a]], column, reason, self.rows[at[a:b]].astype(np.int64), texts[a:b])
            for a, b in itertools.pairwise(edges)
            if b > a
        ]


@dataclass(slots=True)
class Strip:
    """Joined pieces: rows with a readable time, in file order, times in UTC.

    us : shape (n,) microseconds since 1970 UTC
    values, flags : per role, shape (n,)
    """

    origin: Origin
    us: IntArray
    values: dict[Role, FloatArray]
    flags: dict[Role, FlagArray]


def join(pieces: list[Piece], roles: list[Role], station: Station, source: Source, rejects: Rejects) -> Strip:
    """Join the pieces and place local times in UTC; rows whose time stays unknown are refused.

    A file that runs from new to old is turned round first, so that the order of rows means time.
    """
    pieces = [piece for piece in pieces if len(piece)]
    for piece in pieces:
        if piece.runs_backwards():
            piece.turn_round()
            rejects.notes.append(f"{piece.file} runs from new to old and was turned round")
    starts = np.cumsum([0, *map(len, pieces)])[:-1]
    values = {
        role: joined([p for piece in pieces for p in piece.take_values(role)], np.float64) for role in roles
    }
    flags = {
        role: joined([p for piece in pieces for p in piece.take_flags(role)], np.uint16) for role in roles
    }
    rows = joined(_handed_over([piece.indices for piece in pieces]), np.int32)
    is_utc = joined(_handed_over([piece.is_utc for piece in pieces]), np.bool_)
    us = joined(_handed_over([piece.us for piece in pieces]), np.int64)  # last: pieces are as long as it
    strip = Strip(Origin([piece.file for piece in pieces], starts, rows), us, values, flags)
    _place(strip, is_utc, station, source, rejects)
    return strip


def _place(strip: Strip, is_utc: BoolArray, station: Station, source: Source, rejects: Rejects) -> None:
    """Turn the local times of a strip into UTC, taking out rows that cannot be placed."""
    if is_utc.all():
        return
    local = np.flatnonzero(~is_utc)
    gap_s = float(station.heartbeat_s or 0) if station.reporting == "on_change" else 1.5 * station.step_s
    local_us = strip.us[local]
    placed = to_utc(local_us, source.time_zone or station.time_zone, gap_s)
    strip.us[local] = placed.us
    masks: list[tuple[Reason, BoolArray]] = [
        ("ambiguous_time", placed.is_ambiguous),
        ("missing_hour", placed.is_missing),
    ]
    for reason, mask in masks:
        at = np.flatnonzero(mask)
        texts = [str(text) for text in local_us[at].astype("datetime64[us]").astype("datetime64[s]")]
        for block in strip.origin.blocks(local[at], texts, source.time_column, reason):
            rejects.add(block)
    refused = local[placed.is_ambiguous | placed.is_missing]
    if len(refused):
        for flags, values in zip(strip.flags.values(), strip.values.values(), strict=True):
            flags[refused] = 0  # the row has its reject already; now it is an empty cell and drops out
            values[refused] = np.nan


def _handed_over(columns: list[list[NDArray[Item]]]) -> list[NDArray[Item]]:
    """All parts of the columns, which are left empty: so the parts are freed when they were joined."""
    parts = [part for column in columns for part in column]
    for column in columns:
        column.clear()
    return parts


def joined(parts: list[NDArray[Item]], dtype: type[Item]) -> NDArray[Item]:
    """One array; the only part itself if there is but one, to save its copy."""
    if len(parts) == 1:
        return parts[0]
    return np.concatenate(parts) if parts else np.zeros(0, dtype=dtype)
