"""The default archive: Parquet files in the data folder, no server needed.

Why Parquet files and not a database file: a file is written whole or not at all and never changed after, so
no crash can spoil what is there; each can be copied while the service runs and be read by any other program.
pyarrow, which reads the logs already, finds one station's rows by the statistics of the row groups in a few
milliseconds, so no query engine is needed on top.

Rows that were appended wait in memory, where they can be read, until ``flush``. Each flush writes one small
file for each day and group of stations; when many have gathered the newest are merged, so that a row is
written a few times in all and a day ends up in a few files.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

import numpy as np

from steadyhead.archive import segments
from steadyhead.archive.archive import BUCKET_S, DAY_S, Keep, Series2, Thinned
from steadyhead.archive.merging import chosen_to_merge, last_of_each, taken, together
from steadyhead.archive.rows import (
    Pieces,
    Rows,
    as_pieces,
    bucket_length_s,
    from_readings,
    in_buckets,
    joined,
    to_pieces,
    to_readings,
)
from steadyhead.archive.segments import Segment
from steadyhead.archive.shelf import Place, Shelf, day_number, day_of, group_of
from steadyhead.archive.thinning import Thinning
from steadyhead.readings.frame import Readings

MOST_WAITING = 2_000_000  # rows in memory at which they are written without being asked; about 100 MB
_TRIES = 5  # a file may be merged away between looking it up and opening it


class EmbeddedArchive:
    """See ``archive.Archive``.

    steps_s : grid step of each station; keep : how long readings are kept
    Raises ArchiveError if the folder cannot be opened.
    """

    def __init__(self, folder: Path, steps_s: Mapping[str, int], keep: Keep | None = None) -> None:
        self._steps_s = dict(steps_s)
        self._full = Shelf(folder / "readings")
        self._thin = Shelf(folder / "pieces")
        self._lock = threading.Lock()  # of what is in memory: shelves and waiting rows
        self._writing = threading.Lock()  # one at a time writes files
        self._waiting: dict[str, list[Rows]] = {}
        self._leaving: dict[str, list[Rows]] = {}  # being written, and readable until they are
        self._n_waiting = 0
        self._next = max(self._full.highest(), self._thin.highest()) + 1
        self._thinning = Thinning(
            self._full, self._thin, self._lock, self._writing, keep or Keep(), self._steps_s
        )

    # ------------------------------------------------------------ in

    def append(self, readings: Readings) -> None:
        """See ``archive.Archive``."""
        rows = from_readings(readings)
        if not len(rows):
            return
        with self._lock:
            self._waiting.setdefault(readings.station, []).append(rows)
            self._n_waiting += len(rows)
            is_full = self._n_waiting > MOST_WAITING
        if is_full:
            self.flush()

    def flush(self, stations: Collection[str] | None = None) -> None:
        """See ``archive.Archive``."""
        with self._writing:
            with self._lock:
                names = self._waiting.keys() if stations is None else self._waiting.keys() & set(stations)
                self._leaving = {name: self._waiting.pop(name) for name in sorted(names)}
                self._n_waiting -= _count(self._leaving)
            try:
                places = self._write(self._leaving) if self._leaving else []
            except BaseException:
                with self._lock:
                    for name, parts in self._leaving.items():
                        self._waiting[name] = parts + self._waiting.get(name, [])
                    self._n_waiting += _count(self._leaving)
                    self._leaving = {}
                raise
            with self._lock:
                self._leaving = {}
            for place in places:
                self._merge(place)

    def _write(self, leaving: Mapping[str, list[Rows]]) -> list[Place]:
        """Write waiting rows, a file for each day and group; returns the places written to."""
        number = self._next
        self._next += 1
        names = list(leaving)
        parts = [part for name in names for part in leaving[name]]
        times_s = np.concatenate([part.times_s for part in parts])
        rows = Rows(
            times_s, np.concatenate([p.values for p in parts]), np.concatenate([p.flags for p in parts])
        )
        which = np.repeat(np.arange(len(names)), [sum(map(len, leaving[name])) for name in names])
        group = np.array([group_of(name) for name in names])[which]
        day = times_s // DAY_S
        order = np.lexsort((np.arange(len(times_s)), times_s, which, group, day))
        cuts = np.flatnonzero(np.diff(day[order]) | np.diff(group[order])) + 1
        places = []
        for at in np.split(order, cuts):
            place = day_of(times_s[at[0]]), int(group[at[0]])
            self._put(place, number, number, names, which[at], taken(rows, at))
            places.append(place)
        return places

    def _put(
        self, place: Place, first: int, last: int, names: list[str], which: np.ndarray, rows: Rows,
        instead_of: tuple[Segment, ...] = (),
    ) -> None:  # fmt: skip
        which, rows = last_of_each(which, rows)
        new = Segment.named(self._full.folder_of(place), first, last, len(rows))
        segments.write(new.path, segments.table_of(names, which, rows))
        with self._lock:
            self._full.put(place, new, instead_of)

    def _merge(self, place: Place) -> None:
        """Merge the newest files of a place where many have gathered, so that sizes stay graded."""
        with self._lock:
            found = self._full.at(place)
        chosen = chosen_to_merge(found)
        if not chosen:
            return
        names, which, rows = together(chosen)
        self._put(place, chosen[0].first, chosen[-1].last, names, which, rows, chosen)

    # ------------------------------------------------------------ out

    def read(self, station: str, from_s: int, to_s: int) -> Readings:
        """See ``archive.Archive``."""
        step_s = self._steps_s.get(station, 60)
        return to_readings(station, step_s, from_s, to_s, self._parts(station, from_s, to_s))

    def extent(self, station: str) -> tuple[int, int] | None:
        """See ``archive.Archive``."""
        ends = []
        for backwards in (False, True):
            found = self._end(station, backwards=backwards)
            if found is None:
                return None
            ends.append(found)
        return ends[0], ends[1]

    def series(self, station: str, from_s: int, to_s: int, points: int) -> Series2:
        """See ``archive.Archive``."""
        step_s = self._steps_s.get(station, 60)
        bucket_s = bucket_length_s(from_s, to_s, points, step_s)
        with self._lock:
            is_thinned = bool(self._thinning.thinned_days(station, from_s, to_s))
        if is_thinned and bucket_s < BUCKET_S:
            bucket_s = bucket_length_s(from_s, to_s, points, step_s, BUCKET_S)
        from_s, to_s = from_s // bucket_s * bucket_s, -(-to_s // bucket_s) * bucket_s
        pieces = self._pieces(station, from_s, to_s, coarse=bucket_s >= BUCKET_S)
        return in_buckets(station, pieces, from_s, to_s, bucket_s, is_thinned=is_thinned)

    def thin(self, now_s: int) -> Thinned:
        """See ``archive.Archive``."""
        self.flush()
        with self._writing:
            number = self._next
            self._next += 1
        return self._thinning.run(now_s, number)

    def close(self) -> None:
        """See ``archive.Archive``."""
        self.flush()

    # ------------------------------------------------------------ inner

    def _pieces(self, station: str, from_s: int, to_s: int, *, coarse: bool) -> Pieces:
        """All there is in [from_s, to_s): from 15-minute pieces where they will do, else from rows."""
        parts, days = self._ready_made(station, from_s, to_s) if coarse else ([], set())
        is_fine = coarse and self._steps_s.get(station, 60) <= BUCKET_S
        for first_s, last_s in _stretches(from_s, to_s, days):
            rows = self.read(station, first_s, last_s)
            parts.append(to_pieces(rows) if is_fine else as_pieces(rows))
        return joined(parts)

    def _ready_made(self, station: str, from_s: int, to_s: int) -> tuple[list[Pieces], set[str]]:
        """Pieces on the disk, and the days they cover."""
        for _ in range(_TRIES):
            with self._lock:
                days = self._thinning.pieces_of(station, from_s, to_s)
            try:
                parts = []
                for path in sorted(set(days.values())):
                    found = segments.pieces_in(segments.read(path, station))
                    # a month's file may hold a day that is read elsewhere
                    wanted = [day_number(day) for day, file in days.items() if file == path]
                    own = np.isin(found.times_s // DAY_S, wanted)
                    parts.append(Pieces(*(getattr(found, name)[own] for name in Pieces.__slots__)))
            except FileNotFoundError:
                continue
            return parts, set(days)
        return [], set()

    def _parts(self, station: str, from_s: int, to_s: int) -> Iterator[Rows]:
        group = group_of(station)
        for day_s in range(from_s // DAY_S * DAY_S, to_s, DAY_S):
            yield from self._on_disk(station, (day_of(day_s), group))
        with self._lock:
            waiting = [*self._leaving.get(station, ()), *self._waiting.get(station, ())]
        yield from waiting

    def _on_disk(self, station: str, place: Place) -> list[Rows]:
        for _ in range(_TRIES):
            with self._lock:
                found = self._full.at(place)
            try:
                return [segments.rows_in(segments.read(s.path, station)) for s in found]
            except FileNotFoundError:
                continue
        return []

    def _end(self, station: str, *, backwards: bool) -> int | None:
        """First or last time of a station's rows."""
        pick = max if backwards else min
        with self._lock:
            days = self._full.days(group_of(station))
            waiting = [*self._leaving.get(station, ()), *self._waiting.get(station, ())]
        ends = [int(pick(part.times_s)) for part in waiting]
        for day in reversed(days) if backwards else days:
            times = [int(pick(r.times_s)) for r in self._on_disk(station, (day, group_of(station))) if len(r)]
            if times:
                ends.append(pick(times))
                break
        return pick(ends) if ends else None


def _stretches(from_s: int, to_s: int, covered: set[str]) -> Iterator[tuple[int, int]]:
    """Parts of [from_s, to_s) whose days are not covered, neighbouring days together."""
    start_s: int | None = None
    for day_s in range(from_s // DAY_S * DAY_S, to_s, DAY_S):
        if day_of(day_s) in covered:
            if start_s is not None:
                yield start_s, day_s
            start_s = None
        elif start_s is None:
            start_s = max(from_s, day_s)
    if start_s is not None:
        yield start_s, to_s


def _count(rows: Mapping[str, list[Rows]]) -> int:
    return sum(len(part) for parts in rows.values() for part in parts)
