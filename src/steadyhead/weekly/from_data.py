"""The report from a service's archive and database, with what people did; nothing is written to either."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np
from sqlalchemy import or_, select

from steadyhead.archive.archive import Archive
from steadyhead.config.model import Registry
from steadyhead.desk.book import alert_of
from steadyhead.desk.desk import Desk
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.desk.views import FindingView
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import ArchiveError, ProfileError
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours
from steadyhead.store.database import Database
from steadyhead.store.profiles import load_profile, profile_path
from steadyhead.store.tables import AlertRow
from steadyhead.weekly.alert_lines import headline
from steadyhead.weekly.from_logs import known_names
from steadyhead.weekly.material import Extent, Material, Progress, needed_from_s, usual_zone
from steadyhead.weekly.model import AlertLine, Outage, Repair
from steadyhead.weekly.station import repairs_of
from steadyhead.weekly.week import BEFORE, Week

MOST_FINDINGS = 100_000


class DataSource:
    """See ``material.Source``. Raises ReportError for a name that the registry does not have."""

    has_desk = True

    def __init__(
        self,
        registry: Registry,
        knowledge: Knowledge,
        archive: Archive,
        database: Database,
        desk: Desk,
        profiles: Path,
        stations: Sequence[str] = (),
    ) -> None:
        self.registry, self.knowledge = registry, knowledge
        self.left_out: dict[str, str] = {}
        self.extent = Extent()
        self._archive, self._database, self._desk = archive, database, desk
        self._profiles = profiles
        self._names = known_names(registry, stations)

    def names(self) -> list[str]:
        """Stations that are asked for."""
        return list(self._names)

    def newest_s(self) -> int | None:
        """From what the archive says it holds."""
        for name in self._names:
            extent = self._archive.extent(name)
            if extent is not None:
                self.extent.take(*extent)
        return self.extent.last_s

    def materials(self, week: Week, progress: Progress) -> Iterator[Material]:
        """Station by station."""
        self.left_out.clear()
        self.newest_s()
        repairs, findings = self._repairs()
        lines = self._lines(week, findings)
        outages = {
            out.station: Outage(out.since_s, out.until_s, out.who, out.why) for out in self._desk.outages()
        }
        for done, name in enumerate(self._names):
            progress(f"Judging {name}", done, len(self._names))
            station = self.registry.stations[name]
            to_s = week.bounds_s(station.time_zone)[1]
            try:
                readings = self._readings(name, week)
            except ArchiveError as exc:
                self.left_out[name] = f"{name}: {exc}"
                continue
            outage = outages.get(name)
            if outage is not None and outage.since_s >= to_s:
                outage = None
            yield Material(
                station,
                readings,
                self._profile(name),
                tuple(lines.get(name, ())),
                repairs_of(repairs.get(name, ()), week, station.time_zone),
                outage,
            )

    def load(self, week: Week, alerts: Mapping[str, tuple[AlertLine, ...]]) -> AlarmLoad:
        """The desk's own calls, of all stations of the service."""
        del alerts
        return self._desk.load(*week.bounds_s(usual_zone(self.registry, self._names)))

    def _readings(self, name: str, week: Week) -> Readings | None:
        station = self.registry.stations[name]
        from_s, to_s = needed_from_s(week, station.time_zone), week.bounds_s(station.time_zone)[1]
        own = self._archive.read(name, from_s, to_s)
        if not np.isfinite(own.outlet_kpa).any():
            return None
        if np.isfinite(own.neighbour_kpa).any():
            return own
        zones = self.registry.zones()
        mates = [
            self._archive.read(other, from_s, to_s)
            for other, zone in zones.items()
            if other != name and zone is not None and zone == zones[name]
        ]
        return add_neighbours([own, *mates], zones)[0]

    def _profile(self, name: str) -> Profile | None:
        if not profile_path(self._profiles, name).exists():
            return None
        try:
            return load_profile(self._profiles, name, self.registry.stations[name].step_s)
        except ProfileError as exc:
            self.left_out[name] = str(exc)
            return None

    def _lines(self, week: Week, findings: Mapping[str, list[str]]) -> dict[str, list[AlertLine]]:
        """Alerts that touch the five weeks, by station, in order of raising."""
        from_s = min(self._bounds(week.shifted(-BEFORE), name)[0] for name in self._names)
        to_s = max(self._bounds(week, name)[1] for name in self._names)
        query = (
            select(AlertRow)
            .where(AlertRow.raised_s < to_s, or_(AlertRow.ended_s.is_(None), AlertRow.ended_s >= from_s))
            .order_by(AlertRow.raised_s, AlertRow.alert_id)
        )
        units = self.registry.settings.units
        found: dict[str, list[AlertLine]] = {}
        with self._database.reading() as session:
            for row in session.scalars(query):
                alert = alert_of(row)
                line = AlertLine(
                    alert=alert,
                    title=self.knowledge.entries[alert.condition].title,
                    headline=headline(alert, units),
                    raised_s=row.raised_s,
                    ended_s=row.ended_s,
                    began_s=row.began_s,
                    acknowledged_s=row.acknowledged_s,
                    acknowledged_by=row.acknowledged_by,
                    held_why=f"Shelved: {row.shelve_why}" if row.state == "shelved" else None,
                    findings=tuple(findings.get(row.alert_id, ())),
                )
                found.setdefault(row.station, []).append(line)
        return found

    def _bounds(self, week: Week, name: str) -> tuple[int, int]:
        return week.bounds_s(self.registry.stations[name].time_zone)

    def _repairs(self) -> tuple[dict[str, list[Repair]], dict[str, list[str]]]:
        """Repairs by station, and what was found by alert."""
        repairs: dict[str, list[Repair]] = {}
        said: dict[str, list[str]] = {}
        for view in self._desk.findings(limit=MOST_FINDINGS):
            if view.alert_id is not None:
                said.setdefault(view.alert_id, []).append(_sentence(view))
            if view.repaired_s is not None:
                repairs.setdefault(view.station, []).append(self._repair(view, view.repaired_s))
        return repairs, said

    def _repair(self, view: FindingView, repaired_s: int) -> Repair:
        last = view.proofs[0] if view.proofs else None
        return Repair(
            station=view.station,
            title=self.knowledge.entries[view.condition].title,
            repaired_s=repaired_s,
            text=_sentence(view),
            result="unproved" if last is None else last.result,
            sentences=() if last is None else last.sentences,
        )


def _sentence(view: FindingView) -> str:
    """What was found, and what was done."""
    found = view.text or view.cause_text or view.cause_key or ""
    return f"{found.rstrip('.')}. {view.done}".strip() if view.done else found
