"""From registry and logs to readings: the one call a command needs."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
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


@dataclass(frozen=True, slots=True)
class Loaded:
    """What could be read.

    readings, rejects : by station, for those asked for that could be read, in the order asked for
    problems : one line by station for those that could not, neighbours of the same zone among them
    """

    readings: dict[str, Readings]
    rejects: dict[str, Rejects]
    problems: dict[str, str]


def load_readings(
    registry: Registry | Path | str,
    log_root: Path | str | None = None,
    stations: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> tuple[dict[str, Readings], dict[str, Rejects]]:
    """Read stations' logs, all of them or none; otherwise as ``load_what_can_be_read``.

    Returns readings and rejects by name, for the stations asked for. Nothing is written.
    Raises RegistryError, or FeedError with one line per station that cannot be read or is not known; where
    files are missing, before anything is read.
    """
    plan = _Plan.of(registry, log_root, stations)
    _raise(plan.problems)
    loaded = plan.read(progress)
    _raise(loaded.problems)
    return loaded.readings, loaded.rejects


def load_what_can_be_read(
    registry: Registry | Path | str,
    log_root: Path | str | None = None,
    stations: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Loaded:
    """Read stations' logs, put them on their grids and add their neighbours' outlets.

    registry : a registry, or the path of its file
    log_root : folder the sources' paths are relative to; the registry's own if None
    stations : names; all if None. Others of their zones are read as far as the outlet, as neighbours.
    A station that cannot be read is left out, and those of its zone do without it as a neighbour.
    Raises RegistryError; FeedError if a name is not known or if none of the stations can be read.
    """
    loaded = read_each(registry, log_root, stations, progress)
    if not loaded.readings:
        _raise(loaded.problems)
    return loaded


def read_each(
    registry: Registry | Path | str,
    log_root: Path | str | None = None,
    stations: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Loaded:
    """As ``load_what_can_be_read``, but if none can be read that is no error: all are under problems."""
    return _Plan.of(registry, log_root, stations).read(progress)


def _raise(problems: Mapping[str, str]) -> None:
    if problems:
        raise FeedError("\n".join(problems.values()))


@dataclass(frozen=True, slots=True)
class _Job:
    station: Station
    roles: tuple[Role, ...] | None  # None is all; a station that is only a neighbour gives its outlet


@dataclass(frozen=True, slots=True)
class _Plan:
    """The stations to read, and those of which it is known beforehand that they cannot be."""

    registry: Registry
    root: Path
    wanted: list[str]
    jobs: list[_Job]
    total_bytes: int
    problems: dict[str, str]

    @classmethod
    def of(
        cls, registry: Registry | Path | str, log_root: Path | str | None, stations: Sequence[str] | None
    ) -> _Plan:
        registry = registry if isinstance(registry, Registry) else load_registry(registry)
        root = _straight(Path(log_root) if log_root is not None else registry.log_root)
        wanted = known_names(registry, stations)
        jobs = [_Job(registry.stations[name], None) for name in wanted]
        zones = registry.zones()
        their_zones = {zones[name] for name in wanted} - {None}
        jobs += [
            _Job(station, ("outlet",))
            for name, station in registry.stations.items()
            if name not in wanted and station.zone in their_zones
        ]
        total, problems = 0, {}
        for job in jobs:
            name = job.station.name
            try:
                total += _bytes_of(job.station, root)
            except FeedError as exc:
                problems[name] = _line(exc, name, wanted, zones)
        return cls(registry, root, wanted, jobs, total, problems)

    def read(self, progress: Progress | None) -> Loaded:
        """Read all that can be read; the progress counts what is there."""
        counter = _Counter(progress, self.total_bytes)
        zones = self.registry.zones()
        readings: list[Readings] = []
        rejects: dict[str, Rejects] = {}
        problems = dict(self.problems)
        for job in self.jobs:
            name = job.station.name
            if name in problems:
                continue
            try:
                log = read_station(
                    job.station, self.root, roles=job.roles, on_file=partial(counter.add, name)
                )
                readings.append(to_grid(log, job.station))
            except SteadyheadError as exc:
                problems[name] = _line(exc, name, self.wanted, zones)
                continue
            rejects[name] = log.rejects
        filled = {r.station: r for r in add_neighbours(readings, zones)}
        done = [name for name in self.wanted if name in filled]
        return Loaded({name: filled[name] for name in done}, {name: rejects[name] for name in done}, problems)


def _line(exc: SteadyheadError, name: str, wanted: list[str], zones: Mapping[str, str | None]) -> str:
    """What is wrong with a station, and who has to do without it as a neighbour."""
    text = str(exc) if str(exc).startswith(f"{name}: ") else f"{name}: {exc}"
    zone = zones[name]
    mates = [other for other in wanted if other != name and zone is not None and zones[other] == zone]
    if not mates:
        return text
    return f"{text}; until then, judged without this neighbour: {', '.join(mates)}"


@dataclass(slots=True)
class _Counter:
    progress: Progress | None
    total: int
    done: int = 0

    def add(self, station: str, path: Path) -> None:
        self.done += path.stat().st_size
        if self.progress is not None:
            self.progress(station, self.done, self.total)


def known_names(registry: Registry, stations: Sequence[str] | None) -> list[str]:
    """The stations asked for, each once; all if None. Raises FeedError that names what is not known."""
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


def _straight(root: Path) -> Path:
    """The folder without detours, for messages: config/../logs is logs, unless a link makes it another."""
    short = Path(os.path.normpath(root))
    return short if short.resolve() == root.resolve() else root


def _bytes_of(station: Station, root: Path) -> int:
    """Bytes of all files of a station. Raises FeedError with the first source that has none."""
    return sum(
        path.stat().st_size for source in station.sources for path in find_files(station, source, root)
    )
