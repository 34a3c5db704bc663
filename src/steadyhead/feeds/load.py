"""From registry and logs to readings: the one call a command needs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from steadyhead.config import Registry, Role, Station, load_registry
from steadyhead.config.fields import did_you_mean
from steadyhead.errors import FeedError, SteadyheadError
from steadyhead.feeds.finding import find_files
from steadyhead.feeds.tabular import read_station
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours, to_grid
from steadyhead.readings.rejects import Rejects

Progress = Callable[[str, int, int], None]
"""Called with (station, bytes of log files read so far, bytes to read in all)."""


def load_readings(
    registry: Registry | Path | str,
    log_root: Path | str | None = None,
    stations: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> tuple[dict[str, Readings], dict[str, Rejects]]:
    """Read stations' logs, put them on their grids and add their neighbours' outlets.

    registry : a registry, or the path of its file
    log_root : folder the sources' paths are relative to; the registry's own if None
    stations : names; all if None. Others of their zones are read as far as the outlet, as neighbours.
    Returns readings and rejects by name, for the stations asked for. Nothing is written.
    Raises RegistryError, or FeedError with one line per station that cannot be read or is not known.
    """
    registry = registry if isinstance(registry, Registry) else load_registry(registry)
    root = Path(log_root) if log_root is not None else registry.log_root
    wanted = _known_names(registry, stations)
    jobs = [_Job(registry.stations[name], None) for name in wanted]
    zones = registry.zones()
    their_zones = {zones[name] for name in wanted} - {None}
    jobs += [
        _Job(station, ("outlet",))
        for name, station in registry.stations.items()
        if name not in wanted and station.zone in their_zones
    ]
    counter = _Counter(progress, _total_bytes(jobs, root))
    readings: list[Readings] = []
    rejects: dict[str, Rejects] = {}
    problems: list[str] = []
    for job in jobs:
        name = job.station.name
        try:
            log = read_station(job.station, root, roles=job.roles, on_file=partial(counter.add, name))
            readings.append(to_grid(log, job.station))
        except SteadyheadError as exc:
            why = "" if job.roles is None else " (read as a neighbour in the same zone)"
            problems.append(str(exc) + why)
            continue
        rejects[name] = log.rejects
    if problems:
        raise FeedError("\n".join(problems))
    filled = {r.station: r for r in add_neighbours(readings, zones)}
    return {name: filled[name] for name in wanted}, {name: rejects[name] for name in wanted}


@dataclass(frozen=True, slots=True)
class _Job:
    station: Station
    roles: tuple[Role, ...] | None


@dataclass(slots=True)
class _Counter:
    progress: Progress | None
    total: int
    done: int = 0

    def add(self, station: str, path: Path) -> None:
        self.done += path.stat().st_size
        if self.progress is not None:
            self.progress(station, self.done, self.total)


def _known_names(registry: Registry, stations: Sequence[str] | None) -> list[str]:
    if stations is None:
        return list(registry.stations)
    unknown = [name for name in stations if name not in registry.stations]
    if unknown:
        known = list(registry.stations)
        hint = did_you_mean(unknown[0], known)
        raise FeedError(
            f'there is no station "{unknown[0]}" in the registry; known: {", ".join(known)}'
            + (f"; {hint}" if hint else "")
        )
    return list(dict.fromkeys(stations))


def _total_bytes(jobs: list[_Job], root: Path) -> int:
    """Bytes of all files to read. Raises FeedError naming every station without files, before any is read."""
    total, problems = 0, []
    for job in jobs:
        for source in job.station.sources:
            try:
                total += sum(path.stat().st_size for path in find_files(job.station, source, root))
            except FeedError as exc:
                problems.append(str(exc))
    if problems:
        raise FeedError("\n".join(problems))
    return total
