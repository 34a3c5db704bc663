"""Thinning of the embedded archive: 15-minute pieces of every day that is over, then the full rows go.

Pieces are made two days after a day is over, long before its rows go, because plots over years are drawn
from them. The order makes it safe to break off anywhere: pieces are written before rows are deleted, and a
month's pieces before those of its days. A piece that is there stands: rows that come for a day whose full
readings are gone add only pieces that are missing.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping

import numpy as np

from steadyhead.archive import segments
from steadyhead.archive.archive import DAY_S, Keep, Thinned
from steadyhead.archive.rows import NO_PIECES, Pieces, Rows, joined, to_pieces, to_readings
from steadyhead.archive.segments import Segment
from steadyhead.archive.shelf import Place, Shelf, day_number, day_of, group_of
from steadyhead.types import BoolArray, IntArray

SETTLED_S = 2 * DAY_S
"""Age of a day's end from which its pieces are made: late readings have had their time."""
MONTH_AFTER_S = 35 * DAY_S

Table = tuple[list[str], IntArray, Pieces]
"""Names in rising order, the index of each piece's station, and the pieces, by station and time."""


class Thinning:
    """Works on both shelves of an archive, in one thread at a time.

    lock : guards the shelves; writing : held by whoever writes files, here for one group at a time, so that
    a flush waits for seconds at most
    """

    def __init__(
        self, full: Shelf, thin: Shelf, lock: threading.Lock, writing: threading.Lock, keep: Keep,
        steps_s: Mapping[str, int],
    ) -> None:  # fmt: skip
        self._full = full
        self._thin = thin
        self._lock = lock
        self._writing = writing
        self._keep = keep
        self._steps_s = steps_s

    def run(self, now_s: int, number: int) -> Thinned:
        """All that the policy asks for at ``now_s``; ``number`` names new files."""
        made = removed = old = 0
        with self._lock:
            days = self._full.days()
        for day in days:
            end_s = _start_s(day) + DAY_S
            if end_s > now_s - SETTLED_S:
                continue
            made += self._make_pieces(day, number, stands=end_s <= now_s - self._keep.full_days * DAY_S)
            if end_s <= now_s - self._keep.full_days * DAY_S:
                removed += self._drop(day)
        self._gather_months(now_s, number)
        with self._lock:
            for name in self._thin.days():
                if _start_s(_last_day(name)) + DAY_S <= now_s - self._keep.thinned_days * DAY_S:
                    old += self._thin.drop_day(name)
        return Thinned(removed, made, old)

    def _drop(self, day: str) -> int:
        """Delete the full rows of a day, if its pieces hold all of them; returns how many there were."""
        with self._writing, self._lock:
            for group in self._full.groups(day):
                own = self._file(day, group)
                if own is None or own.last < self._full.at((day, group))[-1].last:
                    return 0  # rows have come meanwhile; the next run sees to them
            return self._full.drop_day(day)

    def thinned_days(self, station: str, from_s: int, to_s: int) -> list[str]:
        """Days within [from_s, to_s) of which only pieces are left; the caller holds the lock."""
        group = group_of(station)
        return [day for day in self.pieces_of(station, from_s, to_s) if not self._full.at((day, group))]

    def pieces_of(self, station: str, from_s: int, to_s: int) -> dict[str, Segment]:
        """File with the pieces of each day of [from_s, to_s) that has some; the caller holds the lock."""
        group = group_of(station)
        found: dict[str, Segment] = {}
        for day_s in range(from_s // DAY_S * DAY_S, to_s, DAY_S):
            day = day_of(day_s)
            own, full = self._file(day, group), self._full.at((day, group))
            if own is not None and (not full or own.last >= full[-1].last):
                found[day] = own
        return found

    # ------------------------------------------------------------ inner

    def _file(self, day: str, group: int) -> Segment | None:
        """File with the pieces of a day: its own, or its month's."""
        own = self._thin.at((day, group)) or self._thin.at((day[:7], group))
        return own[-1] if own else None

    def _make_pieces(self, day: str, number: int, *, stands: bool) -> int:
        """Pieces of a day, where its rows are newer than those there; ``stands`` if rows are gone already."""
        made = 0
        with self._lock:
            groups = self._full.groups(day)
        for group in groups:
            with self._writing:
                with self._lock:
                    found, old = self._full.at((day, group)), self._file(day, group)
                if old is not None and old.last >= found[-1].last:
                    continue
                names, which, pieces = self._from_rows(day, found)
                if old is not None and stands:
                    names, which, pieces = _add_missing(_read(old, day), (names, which, pieces))
                self._put((day, group), max(number, found[-1].last), names, which, pieces)
                made += len(pieces)
        return made

    def _from_rows(self, day: str, found: tuple[Segment, ...]) -> Table:
        start_s = _start_s(day)
        rows: dict[str, list[Rows]] = {}
        for segment in found:
            table = segments.read(segment.path)
            names, which = segments.stations_in(table)
            own = segments.rows_in(table)
            edges = np.searchsorted(which, np.arange(len(names) + 1))  # rows are sorted by station
            for name, first, last in zip(names, edges[:-1], edges[1:], strict=True):
                part = Rows(own.times_s[first:last], own.values[first:last], own.flags[first:last])
                rows.setdefault(name, []).append(part)
        names = sorted(rows)
        made = []
        for name in names:
            step_s = self._steps_s.get(name, 60)
            made.append(to_pieces(to_readings(name, step_s, start_s, start_s + DAY_S, rows[name])))
        return names, np.repeat(np.arange(len(names)), [len(p) for p in made]), joined(made)

    def _gather_months(self, now_s: int, number: int) -> None:
        """Put the pieces of a month that is over into one file for each group."""
        with self._lock:
            days = [day for day in self._thin.days() if len(day) == len("2026-03-01")]
        months = sorted(
            {day[:7] for day in days if _start_s(_last_day(day[:7])) + DAY_S <= now_s - MONTH_AFTER_S}
        )
        for month in months:
            own = [day for day in days if day[:7] == month]
            with self._lock:
                groups = sorted({group for day in own for group in self._thin.groups(day)})
            for group in groups:
                with self._writing:
                    self._gather(month, own, group, number)
            with self._writing, self._lock:
                for day in own:
                    self._thin.drop_day(day)

    def _gather(self, month: str, days: list[str], group: int, number: int) -> None:
        with self._lock:
            files = [self._thin.at((day, group))[-1] for day in days if self._thin.at((day, group))]
            old = self._thin.at((month, group))
        everything: Table = ([], np.zeros(0, dtype=np.int64), NO_PIECES)
        for segment in [*files, *old]:  # what comes first stands: a day's own file goes before the month's
            everything = _add_missing(everything, _read(segment))
        newest = max(segment.last for segment in [*files, *old])
        self._put((month, group), max(number, newest), *everything)

    def _put(self, place: Place, number: int, names: list[str], which: IntArray, pieces: Pieces) -> None:
        new = Segment.named(self._thin.folder_of(place), number, number, len(pieces))
        segments.write(new.path, segments.pieces_table(names, which, pieces))
        with self._lock:
            self._thin.put(place, new, self._thin.at(place))


def _read(segment: Segment, day: str | None = None) -> Table:
    table = segments.read(segment.path)
    names, which = segments.stations_in(table)
    pieces = segments.pieces_in(table)
    if day is None:
        return names, which, pieces
    start_s = _start_s(day)
    keep = (pieces.times_s >= start_s) & (pieces.times_s < start_s + DAY_S)
    return names, which[keep], _only(pieces, keep)


def _add_missing(first: Table, second: Table) -> Table:
    """Pieces of both, in order of station and time; of the same station and time the first stands."""
    names = sorted({*first[0], *second[0]})
    rank = {name: n for n, name in enumerate(names)}
    which = np.concatenate(
        [np.array([rank[n] for n in own[0]], dtype=np.int64)[own[1]] for own in (first, second) if own[0]]
        or [np.zeros(0, dtype=np.int64)]
    )
    pieces = joined([first[2], second[2]])
    order = np.lexsort((np.arange(len(which)), pieces.times_s, which))
    which, pieces = which[order], _only(pieces, order)
    is_repeat = np.zeros(len(which), dtype=np.bool_)
    is_repeat[1:] = (np.diff(which) == 0) & (np.diff(pieces.times_s) == 0)
    return names, which[~is_repeat], _only(pieces, ~is_repeat)


def _only(pieces: Pieces, at: BoolArray | IntArray) -> Pieces:
    return Pieces(*(getattr(pieces, name)[at] for name in Pieces.__slots__))


def _start_s(day: str) -> int:
    return day_number(day) * DAY_S


def _last_day(name: str) -> str:
    """The day itself, or the last day of a month."""
    if len(name) > len("2026-03"):
        return name
    return str((np.datetime64(name, "M") + 1).astype("datetime64[D]") - 1)
