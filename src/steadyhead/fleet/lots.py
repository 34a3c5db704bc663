"""A fleet cut into lots of stations: what one process reads and judges at a time, and what a kill costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from steadyhead.config.model import Registry
from steadyhead.fleet.place import Place

MOST = 8
"""Stations of a lot. Its readings are in memory together: at 1 min some 25 MB for a station-year."""


SHARES = 4  # lots for each process, so that none is idle long while another does the last one


def lot_size(place: Place, stations: int) -> int:
    """Stations of a lot, for so many in all: small enough that every process has its share."""
    processes = place.processes_for(stations, stations)
    if place.scheduler is None and processes == 1:
        return MOST
    return max(1, min(MOST, stations // (SHARES * processes)))


@dataclass(frozen=True, slots=True)
class Lot:
    """Some of the stations asked for.

    names : which, in the order asked for
    registry : of these and of the others of their zones, which are their neighbours
    """

    names: tuple[str, ...]
    registry: Registry

    def __len__(self) -> int:
        return len(self.names)


def lots_of(registry: Registry, names: Sequence[str], most: int = MOST) -> list[Lot]:
    """The stations in lots of at most ``most``, in their order; no zone is cut apart.

    A zone with more stations than that is a lot of its own: its stations are each other's neighbours, and cut
    apart each part would have to read them all.
    """
    zones: dict[str, list[str]] = {}
    for name in names:
        zones.setdefault(registry.stations[name].zone or f"\0{name}", []).append(name)
    batches: list[list[str]] = [[]]
    for members in zones.values():
        if batches[-1] and len(batches[-1]) + len(members) > most:
            batches.append([])
        batches[-1] += members
    mates: dict[str, list[str]] = {}
    for name, station in registry.stations.items():
        if station.zone is not None:
            mates.setdefault(station.zone, []).append(name)
    return [_lot(registry, batch, mates) for batch in batches if batch]


def _lot(registry: Registry, names: Sequence[str], mates: dict[str, list[str]]) -> Lot:
    needed = dict.fromkeys(names)
    for name in names:
        zone = registry.stations[name].zone
        needed.update(dict.fromkeys(mates.get(zone, ()) if zone is not None else ()))
    stations = {name: registry.stations[name] for name in needed}
    return Lot(tuple(names), registry.model_copy(update={"stations": stations}))
