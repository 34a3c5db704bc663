"""Where a lot's readings come from: the registry's log files, or the archive of a service."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np

from steadyhead.archive.archive import Archive
from steadyhead.archive.place import ArchivePlace
from steadyhead.config.model import Registry
from steadyhead.errors import ArchiveError
from steadyhead.feeds.load import Loaded, read_each
from steadyhead.fleet.lots import Lot
from steadyhead.fleet.spans import Bounds
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours
from steadyhead.readings.rejects import Rejects

OnPart = Callable[[str, float], None]
"""Called with the station that is read and the share of the lot that has been."""


class Readable(Protocol):
    """Where readings come from; small, and fit to travel to another process."""

    def read(self, lot: Lot, bounds_s: Mapping[str, Bounds], on_part: OnPart) -> Loaded:
        """All that can be read of a lot, neighbours filled in; a problem for each station that cannot be.

        bounds_s : the span that is needed of each station asked for; more may be given
        """
        ...


@dataclass(frozen=True, slots=True)
class LogFiles:
    """The registry's sources: Parquet and CSV files below a folder, the registry's own if None."""

    folder: Path | None = None

    def read(self, lot: Lot, bounds_s: Mapping[str, Bounds], on_part: OnPart) -> Loaded:
        """See ``Readable``; files are read whole."""
        del bounds_s

        def on_file(station: str, done: int, total: int) -> None:
            on_part(station, done / max(total, 1))

        return read_each(lot.registry, self.folder, lot.names, on_file)


@dataclass(frozen=True, slots=True)
class ArchiveReadings:
    """What a service has kept, in Parquet or in InfluxDB; only the span that is needed is read."""

    place: ArchivePlace

    def read(self, lot: Lot, bounds_s: Mapping[str, Bounds], on_part: OnPart) -> Loaded:
        """See ``Readable``."""
        loaded = Loaded({}, {}, {})
        steps_s = {name: station.step_s for name, station in lot.registry.stations.items()}
        archive = self.place.open(steps_s)
        try:
            for n, name in enumerate(lot.names):
                try:
                    readings = _kept(archive, lot.registry, name, bounds_s.get(name, (None, None)))
                except ArchiveError as exc:
                    loaded.problems[name] = f"{name}: {exc}"
                else:
                    if readings is None:
                        loaded.problems[name] = (
                            f"{name}: the archive holds no reading of it; name the data folder or the "
                            "settings of the service that watches it"
                        )
                    else:
                        loaded.readings[name] = readings
                        loaded.rejects[name] = Rejects(name)
                on_part(name, (n + 1) / len(lot.names))
        finally:
            archive.close()
        return loaded


def _kept(archive: Archive, registry: Registry, name: str, bounds_s: Bounds) -> Readings | None:
    extent = archive.extent(name)
    if extent is None:
        return None
    step_s = registry.stations[name].step_s
    first_s, end_s = extent[0], extent[1] + step_s
    from_s, to_s = bounds_s
    # what lies outside of all there is leads to a message with the extent, which the caller makes
    from_s = first_s if from_s is None or not first_s <= from_s < end_s else from_s
    to_s = end_s if to_s is None or not from_s < to_s <= end_s else to_s
    return with_neighbours(archive, registry, name, from_s, to_s)


def with_neighbours(archive: Archive, registry: Registry, name: str, from_s: int, to_s: int) -> Readings:
    """A station's readings in [from_s, to_s), with the outlets of its zone where the service noted none."""
    own = archive.read(name, from_s, to_s)
    if np.isfinite(own.neighbour_kpa).any():
        return own
    zones = registry.zones()
    mates = [
        archive.read(other, from_s, to_s)
        for other, zone in zones.items()
        if other != name and zone is not None and zone == zones[name]
    ]
    return add_neighbours([own, *mates], zones)[0]
