"""The report from a service's archive and database, with what people did; nothing is written to either."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np
from sqlalchemy import or_, select

from steadyhead.archive.archive import Archive
from steadyhead.archive.place import ArchivePlace
from steadyhead.config.model import Registry
from steadyhead.desk.book import alert_of
from steadyhead.desk.desk import Desk
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.desk.views import FindingView
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import ArchiveError, ProfileError
from steadyhead.fleet.lots import Lot, lots_of
from steadyhead.fleet.place import HERE, Place
from steadyhead.fleet.told import At, Tell
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.database import Database
from steadyhead.store.profiles import load_profile, profile_path
from steadyhead.store.tables import AlertRow
from steadyhead.weekly.alert_lines import headline
from steadyhead.weekly.from_logs import known_names
from steadyhead.weekly.material import JUDGE, Extent, Material, needed_from_s, usual_zone
from steadyhead.weekly.model import AlertLine, Outage, Repair
from steadyhead.weekly.station import repairs_of
from steadyhead.weekly.week import BEFORE, Week

MOST_FINDINGS = 100_000


class DataSource:
    """See ``material.Source``.

    place : where the archive is, for work in other processes; without it all is done in this one
    Raises ReportError for a name that the registry does not have.
    """

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
        place: ArchivePlace | None = None,
    ) -> None:
        self.registry, self.knowledge = registry, knowledge
        self.left_out: dict[str, str] = {}
        self.extent = Extent()
        self._archive, self._database, self._desk = archive, database, desk
        self._profiles, self._place = profiles, place
        self._names = known_names(registry, stations)

    def names(self) -> list[str]:
        """Stations that are asked for."""
        return list(self._names)

    def newest_s(self, place: Place = HERE) -> int | None:
        """From what the archive says it holds."""
        del place
        for name in self._names:
            extent = self._archive.extent(name)
            if extent is not None:
                self.extent.take(*extent)
        return self.extent.last_s

    def lots(self, week: Week, most: int) -> list[DataLot]:
        """Alerts and findings are looked up here, since the database is one; readings where the lot is."""
        self.newest_s()
        repairs, findings = self._repairs()
        lines = self._lines(week, findings)
        outages = {
            out.station: Outage(out.since_s, out.until_s, out.who, out.why) for out in self._desk.outages()
        }
        return [
            DataLot(
                lot,
                self._place if self._place is not None else self._archive,
                self._profiles.absolute(),
                _of(lot, lines),
                _of(lot, repairs),
                _of(lot, outages),
            )
            for lot in lots_of(self.registry, self._names, most)
        ]

    def load(self, week: Week, alerts: Mapping[str, tuple[AlertLine, ...]]) -> AlarmLoad:
        """The desk's own calls, of all stations of the service."""
        del alerts
        return self._desk.load(*week.bounds_s(usual_zone(self.registry, self._names)))

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


T = TypeVar("T")


def _of(lot: Lot, found: Mapping[str, T]) -> dict[str, T]:
    return {name: found[name] for name in lot.names if name in found}


@dataclass(slots=True)
class DataLot:
    """See ``material.WeekLot``.

    archive : where it is, or the open one, which cannot travel to another process
    lines, repairs, outages : by station
    """

    lot: Lot
    archive: ArchivePlace | Archive
    profiles: Path
    lines: Mapping[str, Sequence[AlertLine]]
    repairs: Mapping[str, Sequence[Repair]]
    outages: Mapping[str, Outage]
    left_out: dict[str, str] = field(default_factory=dict)
    extent: Extent = field(default_factory=Extent)

    @property
    def names(self) -> tuple[str, ...]:
        """Stations of the lot."""
        return self.lot.names

    def __len__(self) -> int:
        return len(self.lot)

    def materials(self, week: Week, tell: Tell) -> Iterator[Material]:
        """Station by station."""
        if not isinstance(self.archive, ArchivePlace):
            yield from self._materials(self.archive, week, tell)
            return
        steps_s = {name: station.step_s for name, station in self.lot.registry.stations.items()}
        archive = self.archive.open(steps_s)
        try:
            yield from self._materials(archive, week, tell)
        finally:
            archive.close()

    def _materials(self, archive: Archive, week: Week, tell: Tell) -> Iterator[Material]:
        for done, name in enumerate(self.lot.names):
            tell(At(JUDGE, name, done))
            station = self.lot.registry.stations[name]
            to_s = week.bounds_s(station.time_zone)[1]
            try:
                readings = self._readings(archive, name, week)
            except ArchiveError as exc:
                self.left_out[name] = f"{name}: {exc}"
                continue
            outage = self.outages.get(name)
            if outage is not None and outage.since_s >= to_s:
                outage = None
            yield Material(
                station,
                readings,
                self._profile(name),
                tuple(self.lines.get(name, ())),
                repairs_of(self.repairs.get(name, ()), week, station.time_zone),
                outage,
            )

    def _readings(self, archive: Archive, name: str, week: Week) -> Readings | None:
        station = self.lot.registry.stations[name]
        from_s, to_s = needed_from_s(week, station.time_zone), week.bounds_s(station.time_zone)[1]
        own = archive.read(name, from_s, to_s)  # no figure looks at neighbours; the service's alerts have
        return own if np.isfinite(own.outlet_kpa).any() else None

    def _profile(self, name: str) -> Profile | None:
        if not profile_path(self.profiles, name).exists():
            return None
        try:
            return load_profile(self.profiles, name, self.lot.registry.stations[name].step_s)
        except ProfileError as exc:
            self.left_out[name] = str(exc)
            return None


def _sentence(view: FindingView) -> str:
    """What was found, and what was done."""
    found = view.text or view.cause_text or view.cause_key or ""
    return f"{found.rstrip('.')}. {view.done}".strip() if view.done else found
