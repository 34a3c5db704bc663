"""Batches of one source joined into strips: a column of times with the values read at those times."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from typing import TypeVar

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
    indices: list[IntArray] = field(default_factory=list)
    values: dict[Role, list[FloatArray]] = field(default_factory=dict)
    flags: dict[Role, list[FlagArray]] = field(default_factory=dict)

    def add(self, stamps: Stamps, keep: IntArray, indices: IntArray, cells: dict[Role, Cells]) -> None:
        """Append the kept rows of one batch."""
        self.us.append(stamps.us[keep])
        self.is_utc.append(stamps.is_utc[keep])
        self.indices.append(indices[keep])
        for role, cell in cells.items():
            self.values.setdefault(role, []).append(cell.values[keep])
            self.flags.setdefault(role, []).append(cell.flags[keep])


@dataclass(slots=True)
class Origin:
    """Which file each row of joined arrays came from.

    files : names;  starts : shape (n_files,) first position of each in the joined arrays
    rows : shape (n,) row in the file
    """

    files: list[str]
    starts: IntArray
    rows: IntArray

    def blocks(self, at: IntArray, texts: list[str], column: str, reason: Reason) -> list[RejectBlock]:
        """Refused values at the positions ``at`` (rising), one block per file."""
        owner = np.searchsorted(self.starts, at, side="right") - 1
        cuts = np.flatnonzero(np.diff(owner)) + 1
        edges = [0, *cuts.tolist(), len(at)]
        return [
            RejectBlock(self.files[owner[a]], column, reason, self.rows[at[a:b]], texts[a:b])
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
    pieces = [piece for piece in pieces if sum(map(len, piece.us))]
    us, is_utc, rows = [], [], []
    values: dict[Role, list[FloatArray]] = {role: [] for role in roles}
    flags: dict[Role, list[FlagArray]] = {role: [] for role in roles}
    for piece in pieces:
        piece_us = np.concatenate(piece.us)
        way = slice(None, None, -1) if _runs_backwards(piece_us) else slice(None)
        if way.step == -1:
            rejects.notes.append(f"{piece.file} runs from new to old and was turned round")
        us.append(piece_us[way])
        is_utc.append(np.concatenate(piece.is_utc)[way])
        rows.append(np.concatenate(piece.indices)[way])
        for role in roles:
            if role in piece.values:
                values[role].append(np.concatenate(piece.values[role])[way])
                flags[role].append(np.concatenate(piece.flags[role])[way])
            else:
                values[role].append(np.full(len(piece_us), np.nan))
                flags[role].append(np.zeros(len(piece_us), dtype=np.uint16))
    starts = np.cumsum([0, *map(len, us)])[:-1]
    origin = Origin([piece.file for piece in pieces], starts, _joined(rows, np.int64))
    strip = Strip(
        origin,
        _joined(us, np.int64),
        {role: _joined(parts, np.float64) for role, parts in values.items()},
        {role: _joined(parts, np.uint16) for role, parts in flags.items()},
    )
    _place(strip, _joined(is_utc, np.bool_), station, source, rejects)
    return strip


def _place(strip: Strip, is_utc: BoolArray, station: Station, source: Source, rejects: Rejects) -> None:
    """Turn the local times of a strip into UTC, taking out rows that cannot be placed."""
    local = np.flatnonzero(~is_utc)
    if not len(local):
        return
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


def _runs_backwards(us: IntArray) -> bool:
    steps = np.diff(us)
    return int((steps < 0).sum()) > int((steps > 0).sum())


def _joined(parts: list[NDArray[Item]], dtype: type[Item]) -> NDArray[Item]:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=dtype)
