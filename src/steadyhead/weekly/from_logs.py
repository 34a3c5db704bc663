"""The report from a registry, its logs and learned profiles; alerts are those that ``scan`` finds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from steadyhead import service
from steadyhead.config.model import Registry
from steadyhead.desk.load import STALE_S, Call, alarm_load
from steadyhead.desk.load_views import AlarmLoad, Stale
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import FeedError, ProfileError, ReportError, SteadyheadError
from steadyhead.feeds.load import load_what_can_be_read
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.profiles import load_profile, profile_path
from steadyhead.weekly.alert_lines import as_of, of_verdict
from steadyhead.weekly.material import Extent, Material, Progress, silent, usual_zone
from steadyhead.weekly.model import AlertLine
from steadyhead.weekly.station import trimmed
from steadyhead.weekly.week import Week

BATCH = 24  # stations read together: bounds memory, and few files are read twice


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

    def newest_s(self) -> int | None:
        """Reads all logs."""
        newest = None
        for batch in self._batches():
            for readings in self._read(batch, silent, 0).values():
                last_s = readings.end_s - readings.step_s
                newest = last_s if newest is None else max(newest, last_s)
        return newest

    def materials(self, week: Week, progress: Progress) -> Iterator[Material]:
        """Batch by batch; a zone is never cut apart, since its stations are each other's neighbours."""
        self.left_out.clear()
        done = 0
        for batch in self._batches():
            read = self._read(batch, progress, done)
            for name in batch:
                progress(f"Judging {name}", done, len(self._names))
                done += 1
                if name in read:
                    yield self._material(name, read.pop(name), week)

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

    def _batches(self) -> list[list[str]]:
        zones: dict[str, list[str]] = {}
        for name in self._names:
            zones.setdefault(self.registry.stations[name].zone or f"\0{name}", []).append(name)
        batches: list[list[str]] = [[]]
        for members in zones.values():
            if batches[-1] and len(batches[-1]) + len(members) > BATCH:
                batches.append([])
            batches[-1] += members
        return batches

    def _read(self, batch: list[str], progress: Progress, done: int) -> dict[str, Readings]:
        def on_file(station: str, n: int, total: int) -> None:
            del n, total
            progress(f"Reading {station}", done, len(self._names))

        try:
            loaded = load_what_can_be_read(self.registry, self._logs, batch, on_file)
        except FeedError as exc:  # none of the batch; others may do
            for name, line in zip(batch, str(exc).splitlines(), strict=False):
                self.left_out[name] = line
            return {}
        self.left_out.update({name: line for name, line in loaded.problems.items() if name in batch})
        for readings in loaded.readings.values():
            self.extent.take(readings.start_s, readings.end_s - readings.step_s)
        return loaded.readings

    def _material(self, name: str, readings: Readings, week: Week) -> Material:
        station = self.registry.stations[name]
        to_s = week.bounds_s(station.time_zone)[1]
        so_far = readings.between(readings.start_s, to_s)
        kept = trimmed(readings, week, station.time_zone)
        profile = self._profile(name)
        lines: tuple[AlertLine, ...] = ()
        if profile is not None and len(so_far):
            units = self.registry.settings.units
            try:
                found = service.scan_station(so_far, profile, units)
            except SteadyheadError as exc:
                self.left_out[name] = str(exc)
                found = []
            lines = tuple(of_verdict(v, station, self.knowledge, units) for v in found)
        return Material(station, kept if len(kept) else None, profile, lines)

    def _profile(self, name: str) -> Profile | None:
        if not profile_path(self._profiles, name).exists():
            return None
        try:
            return load_profile(self._profiles, name, self.registry.stations[name].step_s)
        except ProfileError as exc:
            self.left_out[name] = str(exc)
            return None


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
