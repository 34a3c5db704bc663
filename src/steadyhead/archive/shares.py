"""Readings of a fleet that several processes share: a folder for each share, all read as one archive.

readings/places.json           the share of each station, and those it belonged to before
readings/share-0003/readings/  as one embedded archive each; only the owner of the share writes there
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import reduce
from pathlib import Path

import numpy as np

from steadyhead.archive.archive import CHANNELS, Archive, Buckets, Series2, Thinned
from steadyhead.archive.place import SHARED, ArchivePlace
from steadyhead.errors import ArchiveError, DatabaseError
from steadyhead.files import write_atomically
from steadyhead.readings.frame import Readings

LOOKED_UP_S = 30.0  # stations go to other shares when the registry changes
READ_ANEW_S = 10.0  # what another process has written is seen so late at most

Places = Mapping[str, Sequence[int]]


def place_of(whole: ArchivePlace, share: int) -> ArchivePlace:
    """Where the readings of a share are."""
    return whole if whole.store == "influx" else replace(whole, folder=whole.folder / f"share-{share:04d}")


def write_places(folder: Path, places: Places) -> None:
    """Leave the places of all stations where readers of the folder find them. Raises OutputError."""
    write_atomically(folder / SHARED, json.dumps(places, separators=(",", ":")))


def read_places(folder: Path) -> Places:
    """What ``write_places`` left. Raises ArchiveError if it cannot be read."""
    try:
        found: Places = json.loads((folder / SHARED).read_text(encoding="utf-8"))
    except (OSError, ValueError) as exc:
        raise ArchiveError(
            f"{folder / SHARED}: cannot be read ({exc}); a service that shares the fleet writes it at start"
        ) from exc
    return found


class FleetArchive:
    """All stations, for pages, learning and reports; see ``archive.Archive``.

    places : the share of each station, and after it those that it belonged to before, where its older
        readings are; own : the archive of a share that this process owns, else None
    Shares of others are read from where they write, so their latest ``checkpoint_s`` of readings is not seen.
    """

    def __init__(
        self,
        place: ArchivePlace,
        steps_s: Mapping[str, int],
        places: Callable[[], Places],
        own: Callable[[int], Archive | None],
    ) -> None:
        self._place, self._steps_s, self._look_up, self._own = place, steps_s, places, own
        self._lock = threading.Lock()
        self._others: dict[int, tuple[float, Archive]] = {}
        self._places: Places = {}
        self._looked_up_at = float("-inf")

    def has_moved(self, station: str) -> bool:
        """Whether readings of a station are with several shares."""
        return len(self._shares(station)) > 1

    def append(self, readings: Readings) -> None:
        """See ``archive.Archive``; only the owner of a station may."""
        archive = self._own(self._shares(readings.station)[0])
        if archive is None:
            raise ArchiveError(f"{readings.station}: another process owns its share and writes its readings")
        archive.append(readings)

    def flush(self, stations: Collection[str] | None = None) -> None:
        """Of own shares; those of others are flushed by them."""
        names = self._steps_s if stations is None else stations
        for share in sorted({self._shares(name)[0] for name in names}):
            archive = self._own(share)
            if archive is not None:
                archive.flush(stations)

    def read(self, station: str, from_s: int, to_s: int) -> Readings:
        """See ``archive.Archive``."""
        return reduce(filled, (one.read(station, from_s, to_s) for one in self._of(station)))

    def extent(self, station: str) -> tuple[int, int] | None:
        """See ``archive.Archive``."""
        found = [extent for one in self._of(station) if (extent := one.extent(station)) is not None]
        return (min(first for first, _ in found), max(last for _, last in found)) if found else None

    def series(self, station: str, from_s: int, to_s: int, points: int) -> Series2:
        """See ``archive.Archive``."""
        return reduce(filled_series, (one.series(station, from_s, to_s, points) for one in self._of(station)))

    def thin(self, now_s: int) -> Thinned:  # noqa: ARG002
        """Nothing: each owner thins its shares."""
        return Thinned(0, 0, 0)

    def close(self) -> None:
        """Let go of what was only read; own shares are closed with them."""
        if self._place.store == "influx":
            for _, archive in self._others.values():
                archive.close()
        self._others = {}

    def _shares(self, station: str) -> Sequence[int]:
        with self._lock:
            if time.monotonic() - self._looked_up_at > LOOKED_UP_S:
                try:
                    self._places = self._look_up()
                except DatabaseError as exc:
                    if not self._places:
                        raise ArchiveError(f"no one can say where readings are kept: {exc}") from exc
                self._looked_up_at = time.monotonic()
            return self._places.get(station, (0,))

    def _of(self, station: str) -> Iterator[Archive]:
        """Where readings of a station are, the latest first."""
        now, *before = self._shares(station)
        own = self._own(now)
        yield own if own is not None else self._reader(now)
        if self._place.store == "embedded":  # else all are in one place
            for share in before:
                yield self._own(share) or self._reader(share)

    def _reader(self, share: int) -> Archive:
        is_one = self._place.store == "influx"
        with self._lock:
            opened = self._others.get(-1 if is_one else share)
            now = time.monotonic()
            if opened is None or (not is_one and now - opened[0] > READ_ANEW_S):
                opened = now, place_of(self._place, share).open(self._steps_s)
                self._others[-1 if is_one else share] = opened
            return opened[1]


def filled(one: Readings, other: Readings) -> Readings:
    """Readings with the gaps filled from others of the same span."""
    channels = {name: getattr(one, name) for name in CHANNELS}
    is_empty = np.all([np.isnan(values) for values in channels.values()], axis=0)
    merged = {
        name: np.where(np.isnan(values), getattr(other, name), values) for name, values in channels.items()
    }
    flags = np.where(is_empty, other.flags, one.flags)
    return Readings(one.station, one.start_s, one.step_s, flags=flags, **merged)


def filled_series(one: Series2, other: Series2) -> Series2:
    """A plot with the gaps filled from another of the same span; where one is thinned, as coarse as that."""
    coarse, fine = (one, other) if one.bucket_s >= other.bucket_s else (other, one)
    place = np.searchsorted(coarse.times_s, fine.times_s, side="right") - 1
    channels = {}
    for name, there in coarse.channels.items():
        more = fine.channels[name]
        low, mean, high = (part.copy() for part in (there.low, there.mean, there.high))
        for n in np.unique(place[place >= 0]):
            own = place == n
            if np.isnan(mean[n]) and not np.isnan(more.mean[own]).all():
                low[n], mean[n] = np.nanmin(more.low[own]), np.nanmean(more.mean[own])
                high[n] = np.nanmax(more.high[own])
        channels[name] = Buckets(low, mean, high)
    return Series2(
        coarse.station, coarse.times_s, coarse.bucket_s, channels, one.is_thinned or other.is_thinned
    )
