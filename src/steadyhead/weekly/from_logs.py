"""The report from a registry, its logs and learned profiles; alerts are those that ``scan`` finds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from steadyhead import service
from steadyhead.config.model import Registry
from steadyhead.desk.load import STALE_S, Call, alarm_load
from steadyhead.desk.load_views import AlarmLoad, Stale
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import ProfileError, ReportError, SteadyheadError
from steadyhead.fleet.crew import Lost, run
from steadyhead.fleet.lots import Lot, lot_size, lots_of
from steadyhead.fleet.outcome import READ
from steadyhead.fleet.place import HERE, Place
from steadyhead.fleet.readings import LogFiles
from steadyhead.fleet.told import At, Tell
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.profiles import load_profile, profile_path
from steadyhead.weekly.alert_lines import as_of, of_verdict
from steadyhead.weekly.material import JUDGE, Extent, Material, usual_zone
from steadyhead.weekly.model import AlertLine
from steadyhead.weekly.station import trimmed
from steadyhead.weekly.week import Week


class LogSource:
    """See ``material.Source``.

    stations : names; all if empty. Raises ReportError for a name that the registry does not have, or if there
        is no profile at all.
    """

    has_desk = False

    def __init__(
        self,
        registry: Registry,
        logs: Path | None,
        profiles: Path,
        knowledge: Knowledge,
        stations: Sequence[str] = (),
        operators: int = 1,
    ) -> None:
        self.registry, self.knowledge = registry, knowledge
        self.left_out: dict[str, str] = {}
        self.extent = Extent()
        self._logs, self._profiles, self._operators = logs, profiles, operators
        self._names = known_names(registry, stations)
        if not any(profile_path(profiles, name).exists() for name in self._names):
            raise ReportError(
                f"{profiles}: there is no profile of any of the stations asked for; run: steadyhead learn, "
                "or name the folder of the profiles with --profiles"
            )

    def names(self) -> list[str]:
        """Stations that are asked for."""
        return list(self._names)

    def newest_s(self, place: Place = HERE) -> int | None:
        """Reads all logs."""
        lots = self._lots(lot_size(place, len(self._names)))
        for done in run(_extent, lots, place):
            if not isinstance(done, Lost) and done.first_s is not None and done.last_s is not None:
                self.extent.take(done.first_s, done.last_s)
        return self.extent.last_s

    def lots(self, week: Week, most: int) -> Sequence[LogLot]:
        """A zone is never cut apart, since its stations are each other's neighbours."""
        del week
        return self._lots(most)

    def _lots(self, most: int) -> list[LogLot]:
        profiles = self._profiles.absolute()
        return [
            LogLot(lot, LogFiles(self._logs), profiles, self.knowledge)
            for lot in lots_of(self.registry, self._names, most)
        ]

    def load(self, week: Week, alerts: Mapping[str, tuple[AlertLine, ...]]) -> AlarmLoad:
        """Every raise counts as a call."""
        from_s, to_s = week.bounds_s(usual_zone(self.registry, self._names))
        lines = [(name, as_of(line, to_s)) for name, of_one in alerts.items() for line in of_one]
        calls = sorted(
            (
                Call(line.raised_s, name, line.alert.condition, line.alert.priority)
                for name, line in lines
                if from_s <= line.raised_s < to_s
            ),
            key=lambda call: (call.at_s, call.station, call.condition),
        )
        stale = sorted(
            (
                Stale(a.alert_id, name, a.condition, a.priority, to_s - line.raised_s)
                for name, line in lines
                for a in (line.alert,)
                if line.ended_s is None and line.raised_s < to_s - STALE_S
            ),
            key=lambda one: (-one.standing_s, one.alert_id),
        )
        return alarm_load(calls, stale, from_s, to_s, self._operators)


@dataclass(slots=True)
class LogLot:
    """See ``material.WeekLot``."""

    lot: Lot
    files: LogFiles
    profiles: Path
    knowledge: Knowledge
    left_out: dict[str, str] = field(default_factory=dict)
    extent: Extent = field(default_factory=Extent)

    @property
    def names(self) -> tuple[str, ...]:
        """Stations of the lot."""
        return self.lot.names

    def __len__(self) -> int:
        return len(self.lot)

    def read(self, tell: Tell) -> dict[str, Readings]:
        """Readings of the lot, and how far they reach; what cannot be read is noted."""
        n = len(self.lot)
        loaded = self.files.read(self.lot, {}, lambda name, share: tell(At(READ, name, share * n)))
        self.left_out.update({name: line for name, line in loaded.problems.items() if name in self.lot.names})
        for readings in loaded.readings.values():
            self.extent.take(readings.start_s, readings.end_s - readings.step_s)
        return loaded.readings

    def materials(self, week: Week, tell: Tell) -> Iterator[Material]:
        """See ``material.WeekLot``."""
        read = self.read(tell)
        for n, name in enumerate(self.lot.names):
            tell(At(JUDGE, name, n))
            if name in read:
                yield self._material(name, read.pop(name), week)

    def _material(self, name: str, readings: Readings, week: Week) -> Material:
        station = self.lot.registry.stations[name]
        to_s = week.bounds_s(station.time_zone)[1]
        so_far = readings.between(readings.start_s, to_s)
        kept = trimmed(readings, week, station.time_zone)
        profile = self._profile(name)
        lines: tuple[AlertLine, ...] = ()
        if profile is not None and len(so_far):
            units = self.lot.registry.settings.units
            try:
                found = service.scan_station(so_far, profile, units)
            except SteadyheadError as exc:
                self.left_out[name] = str(exc)
                found = []
            lines = tuple(of_verdict(v, station, self.knowledge, units) for v in found)
        return Material(station, kept if len(kept) else None, profile, lines)

    def _profile(self, name: str) -> Profile | None:
        if not profile_path(self.profiles, name).exists():
            return None
        try:
            return load_profile(self.profiles, name, self.lot.registry.stations[name].step_s)
        except ProfileError as exc:
            self.left_out[name] = str(exc)
            return None


def _extent(lot: LogLot, tell: Tell) -> Extent:
    lot.read(tell)
    return lot.extent


def known_names(registry: Registry, stations: Sequence[str]) -> list[str]:
    """The stations asked for, in the order of the registry; all if none is named.

    Raises ReportError that names what is not known.
    """
    unknown = [name for name in stations if name not in registry.stations]
    if unknown:
        known = ", ".join(list(registry.stations)[:20])
        more = " and more" if len(registry.stations) > 20 else ""
        raise ReportError(
            f'there is no station "{unknown[0]}" in the registry; known: {known}{more}; mend the name'
        )
    wanted = set(stations)
    return [name for name in registry.stations if not wanted or name in wanted]
