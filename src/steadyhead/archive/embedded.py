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
from steadyhead.archive.overview import COARSE_S, Overview, in_days
from steadyhead.archive.rows import (
    Pieces,
    Rows,
    as_pieces,
    bucket_length_s,
    in_buckets,
    joined,
    to_pieces,
    to_readings,
)
from steadyhead.archive.segments import Segment
from steadyhead.archive.shelf import Place, Shelf, day_of, group_of
from steadyhead.archive.thinning import Thinning
from steadyhead.archive.tray import Tray
from steadyhead.errors import ArchiveError
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
        overview = Shelf(folder / "overview")
        self._lock = threading.Lock()  # of what is in memory: shelves and waiting rows
        self._writing = threading.Lock()  # one at a time writes files
        self._waiting = Tray()
        self._leaving = Tray()  # being written, and readable until they are
        self._next = max(self._full.highest(), self._thin.highest()) + 1
        self._overview = Overview(overview, self._thin, self._lock, self._writing)
        self._thinning = Thinning(
            self._full, self._thin, self._lock, self._writing, keep or Keep(), self._steps_s
        )

    # ------------------------------------------------------------ in

    def append(self, readings: Readings) -> None:
        """See ``archive.Archive``."""
        with self._lock:
            self._waiting.add(readings)
            is_full = len(self._waiting) > MOST_WAITING
        if is_full:
            self.flush()

    def flush(self, stations: Collection[str] | None = None) -> None:
        """See ``archive.Archive``."""
        with self._writing:
            with self._lock:
                if stations is None:
                    self._leaving, self._waiting = self._waiting, Tray()
                else:
                    self._leaving, self._waiting = self._waiting.split(stations)
            try:
                places = self._write(self._leaving) if len(self._leaving) else []
            except BaseException:
                with self._lock:
                    self._waiting, self._leaving = self._leaving.then(self._waiting), Tray()
                raise
            with self._lock:
                self._leaving = Tray()
            for place in places:
                self._merge(place)

    def _write(self, leaving: Tray) -> list[Place]:
        """Write waiting rows, a file for each day and group; returns the places written to."""
        number = self._next
        self._next += 1
        names, met, rows = sorted(leaving.names), leaving.names, leaving.rows
        rank = np.empty(len(met), dtype=np.int64)
        rank[np.argsort(np.array(met))] = np.arange(len(met))
        which, day = rank[leaving.which], rows.times_s // DAY_S
        group = np.array([group_of(name) for name in names])[which]
        order = np.lexsort((rows.times_s, which, group, day))  # stable: what came later stays later
        cuts = np.flatnonzero(np.diff(day[order]) | np.diff(group[order])) + 1
        places = []
        for at in np.split(order, cuts):
            place = day_of(rows.times_s[at[0]]), int(group[at[0]])
            own, which_own = np.unique(which[at], return_inverse=True)
            self._put(place, number, number, [names[n] for n in own], which_own, taken(rows, at))
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
        pieces = self._pieces(station, from_s, to_s, bucket_s)
        return in_buckets(station, pieces, from_s, to_s, bucket_s, is_thinned=is_thinned)

    def thin(self, now_s: int) -> Thinned:
        """See ``archive.Archive``."""
        self.flush()
        with self._writing:
            number = self._next
            self._next += 1
        done = self._thinning.run(now_s, number)
        self._overview.update()
        return done

    def close(self) -> None:
        """See ``archive.Archive``."""
        self.flush()

    # ------------------------------------------------------------ inner

    def _pieces(self, station: str, from_s: int, to_s: int, bucket_s: int) -> Pieces:
        """All there is in [from_s, to_s): from the coarsest pieces that will do, else from rows."""
        coarse = bucket_s >= BUCKET_S
        is_far = bucket_s % COARSE_S == 0
        parts, days = self._ready_made(station, from_s, to_s, is_far=is_far) if coarse else ([], set())
        is_fine = coarse and self._steps_s.get(station, 60) <= BUCKET_S
        for first_s, last_s in _stretches(from_s, to_s, days):
            rows = self.read(station, first_s, last_s)
            parts.append(to_pieces(rows) if is_fine else as_pieces(rows))
        return joined(parts)

    def _ready_made(
        self, station: str, from_s: int, to_s: int, *, is_far: bool
    ) -> tuple[list[Pieces], set[str]]:
        """Pieces on the disk, and the days they cover."""
        for _ in range(_TRIES):
            with self._lock:
                made = self._thinning.pieces_of(station, from_s, to_s)
                days: dict[Path, list[str]] = {}
                for day, own in made.items():
                    far = self._overview.file_for(day, group_of(station), own) if is_far else None
                    days.setdefault(far or own.path, []).append(day)
            try:
                # a month's file may hold a day that is read elsewhere
                parts = [
                    in_days(segments.pieces_in(segments.read(path, station)), wanted)
                    for path, wanted in days.items()
                ]
            except FileNotFoundError:
                continue
            return parts, set(made)
        return [], set()

    def _parts(self, station: str, from_s: int, to_s: int) -> Iterator[Rows]:
        group = group_of(station)
        for day_s in range(from_s // DAY_S * DAY_S, to_s, DAY_S):
            yield from self._on_disk(station, (day_of(day_s), group))
        with self._lock:
            waiting = [*self._leaving.of(station), *self._waiting.of(station)]
        yield from waiting

    def _on_disk(self, station: str, place: Place) -> list[Rows]:
        for n in range(_TRIES):
            if n > 1:  # not merged away by us: another process has this archive open too
                with self._lock:
                    self._full.look_again(place)
            with self._lock:
                found = self._full.at(place)
            try:
                return [segments.rows_in(segments.read(s.path, station)) for s in found]
            except FileNotFoundError:
                continue
        raise ArchiveError(f"{place[0]}: files of the archive vanish while they are read; try again")

    def _end(self, station: str, *, backwards: bool) -> int | None:
        """First or last time of a station's rows."""
        pick = max if backwards else min
        with self._lock:
            days = self._full.days(group_of(station))
            waiting = [*self._leaving.of(station), *self._waiting.of(station)]
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
