"""6-hour pieces of whole months, for plots over years: a year of a station lies in twelve small files.

They are made from the 15-minute pieces, after those of a day are there, and hold no more than those do: a
day counts as covered only while its 15-minute pieces are there and no newer than the overview.
"""

from __future__ import annotations

import threading
from pathlib import Path

import numpy as np

from steadyhead.archive import segments
from steadyhead.archive.archive import DAY_S
from steadyhead.archive.rows import NO_PIECES, Pieces, joined
from steadyhead.archive.segments import Segment
from steadyhead.archive.shelf import Shelf, day_number
from steadyhead.types import BoolArray, IntArray

COARSE_S = 6 * 3600
"""Length of a piece of the overview [s]; the day is a multiple of it."""

Table = tuple[list[str], IntArray, Pieces]


class Overview:
    """Files of the overview, a month and group each.

    lock : guards the shelves; writing : held by whoever writes files, as in ``thinning.Thinning``
    """

    def __init__(self, shelf: Shelf, thin: Shelf, lock: threading.Lock, writing: threading.Lock) -> None:
        self._shelf, self._thin = shelf, thin
        self._lock, self._writing = lock, writing

    def file_for(self, day: str, group: int, made: Segment) -> Path | None:
        """File that covers a day whose 15-minute pieces are ``made``; the caller holds the lock."""
        own = self._shelf.at((day[:7], group))
        return own[-1].path if own and own[-1].last >= made.last else None

    def update(self) -> None:
        """Take in all 15-minute pieces that are newer; months whose pieces are gone go too."""
        with self._lock:
            places = [(name, group) for name in self._thin.days() for group in self._thin.groups(name)]
            newest = {place: self._thin.at(place)[-1] for place in places}
        for month, group in sorted({(name[:7], group) for name, group in places}):
            own = sorted(place for place in places if (place[0][:7], place[1]) == (month, group))
            with self._lock:
                old = self._shelf.at((month, group))
            done = old[-1].last if old else -1
            changed = [newest[place] for place in own if newest[place].last > done]
            if changed:
                self._write(month, group, old, changed)
        kept = {name[:7] for name, _ in places}
        with self._writing, self._lock:
            for month in self._shelf.days():
                if month not in kept:
                    self._shelf.drop_day(month)

    def _write(self, month: str, group: int, old: tuple[Segment, ...], changed: list[Segment]) -> None:
        """The month's file anew: what it held, but for the days of files that have changed, and these."""
        with self._writing:
            tables: list[Table] = []
            for segment in changed:  # a month's file comes first, and its days' own files stand over it
                table = segments.read(segment.path)
                tables.append(_coarse((*segments.stations_in(table), segments.pieces_in(table))))
            anew = np.unique(np.concatenate([table[2].times_s // DAY_S for table in tables]))
            for segment in old:
                table = segments.read(segment.path)
                names, which = segments.stations_in(table)
                held = segments.pieces_in(table)
                keep = ~np.isin(held.times_s // DAY_S, anew)
                tables.insert(0, (names, which[keep], _at(held, keep)))
            names, which, pieces = _together(tables)
            last = max(segment.last for segment in (*changed, *old))
            new = Segment.named(self._shelf.folder_of((month, group)), last, last, len(pieces))
            segments.write(new.path, segments.pieces_table(names, which, pieces))
            with self._lock:
                self._shelf.put((month, group), new, tuple(one for one in old if one.path != new.path))


def in_days(pieces: Pieces, days: list[str]) -> Pieces:
    """Those of some days."""
    return _at(pieces, np.isin(pieces.times_s // DAY_S, [day_number(day) for day in days]))


def _coarse(table: Table) -> Table:
    """15-minute pieces of many stations, sorted by station and time, put into 6-hour ones."""
    names, which, pieces = table
    if not len(pieces):
        return table
    start = pieces.times_s // COARSE_S
    is_first = np.ones(len(pieces), dtype=np.bool_)
    is_first[1:] = (np.diff(which) != 0) | (np.diff(start) != 0)
    at = np.flatnonzero(is_first)
    counts = np.add.reduceat(pieces.counts, at, axis=0)
    total = np.add.reduceat(np.nan_to_num(pieces.mean) * pieces.counts, at, axis=0)
    with np.errstate(invalid="ignore"):
        mean = total / np.where(counts > 0, counts, np.nan)
    low, high = np.fmin.reduceat(pieces.low, at, axis=0), np.fmax.reduceat(pieces.high, at, axis=0)
    return names, which[at], Pieces(start[at] * COARSE_S, low, mean, high, counts)


def _together(tables: list[Table]) -> Table:
    """All pieces by station and time; of the same station and time the last stands."""
    names = sorted({name for own, _, _ in tables for name in own})
    rank = {name: n for n, name in enumerate(names)}
    which = np.concatenate(
        [np.array([rank[n] for n in own], dtype=np.int64)[w] for own, w, _ in tables if own]
        or [np.zeros(0, dtype=np.int64)]
    )
    pieces = joined([one for own, _, one in tables if own]) if which.size else NO_PIECES
    order = np.lexsort((np.arange(len(which)), pieces.times_s, which))
    which, pieces = which[order], _at(pieces, order)
    is_last = np.ones(len(which), dtype=np.bool_)
    is_last[:-1] = (np.diff(which) != 0) | (np.diff(pieces.times_s) != 0)
    return names, which[is_last], _at(pieces, is_last)


def _at(pieces: Pieces, at: IntArray | BoolArray) -> Pieces:
    return Pieces(*(getattr(pieces, name)[at] for name in Pieces.__slots__))
