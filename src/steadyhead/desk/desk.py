"""The alert desk: the one place through which alerts change.

Each method that writes is one transaction: the change, its audit, what the hooks add, or nothing. Others are
told through ``news`` after it is committed. Methods raise DeskError or NotFoundError, in words for a page,
and DatabaseError if the database is gone or locked.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from steadyhead.alerts.model import Alert, Verdict
from steadyhead.config.model import Registry
from steadyhead.desk import acting, findings, queries, raising
from steadyhead.desk.book import Office
from steadyhead.desk.load import read_load
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.desk.news import Event, News
from steadyhead.desk.profiles_used import note_in_use
from steadyhead.desk.views import (
    AlertChange,
    AlertQuery,
    AlertView,
    AuditView,
    Counts,
    FindingView,
    Hook,
    NewFinding,
    OutageView,
    Page,
    ProofView,
    SuppressionView,
    Tally,
)
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import DeskError
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.database import Database
from steadyhead.types import Condition

ANY_ALERT = AlertQuery()


class Desk:
    """Alerts, their audit, findings, proofs and load; threads may share it.

    clock : epoch seconds; used for who-did-what-when and for ends of shelving, never for judging readings
    hooks : called for every change inside its transaction; what a hook raises undoes the change
    operators : people on duty among whom calls are shared, for the alarm-load figures
    latching : conditions whose alerts stay after they have cleared, until somebody resets them
    """

    def __init__(
        self,
        database: Database,
        knowledge: Knowledge,
        registry: Registry,
        clock: Callable[[], float],
        hooks: Sequence[Hook] = (),
        *,
        news: News | None = None,
        operators: int = 1,
        latching: Collection[Condition] = (),
    ) -> None:
        if operators < 1:
            raise DeskError(f"operators is {operators}; give at least 1")
        self._news = news
        self._operators = operators
        self._office = Office(
            database, knowledge, registry, clock, tuple(hooks), self._tell, frozenset(latching)
        )

    # ---- what the engine says -------------------------------------------------------------------------

    def raised(self, verdict: Verdict) -> Alert | None:
        """Take in a raise; a replay of it changes nothing and gives None.

        A raise soon after the end of an alert of the same station and condition (``desk/guard.py``) goes on
        with that alert, which is then returned.
        """
        return raising.raised(self._office, verdict)

    def cleared(self, alert_id: str, at_s: int, verdict: Verdict | None = None) -> None:
        """Take in that the condition raised under this id has cleared; a replay changes nothing.

        at_s : data time at which it was seen to have cleared; when it was over is ``verdict.ended_s``, or
            ``at_s`` where no verdict is given
        """
        raising.cleared(self._office, alert_id, at_s, verdict)

    def updated(self, verdict: Verdict) -> None:
        """Refresh figures, evidence and causes of what stands; an older verdict changes nothing."""
        raising.updated(self._office, verdict)

    # ---- what people do -------------------------------------------------------------------------------

    def acknowledge(self, alert_id: str, who: str, note: str = "") -> AlertView:
        """Say that a person has seen it and deals with it."""
        acting.acknowledge(self._office, alert_id, who, note)
        return self.alert(alert_id)

    def reset(self, alert_id: str, who: str, note: str = "") -> AlertView:
        """Let an alert go that has cleared, was acknowledged, and stays because its condition latches."""
        acting.reset(self._office, alert_id, who, note)
        return self.alert(alert_id)

    def shelve(self, alert_id: str, who: str, why: str, until_s: int) -> AlertView:
        """Put it aside with a reason until a time, a week at most."""
        acting.shelve(self._office, alert_id, who, why, until_s)
        return self.alert(alert_id)

    def unshelve(self, alert_id: str, who: str, why: str = "") -> AlertView:
        """Take it from the shelf before its time."""
        acting.unshelve(self._office, alert_id, who, why)
        return self.alert(alert_id)

    def suppress(
        self,
        who: str,
        why: str,
        *,
        station: str | None = None,
        zone: str | None = None,
        condition: str | None = None,
        until_s: int | None = None,
    ) -> int:
        """Hold back by design all alerts that match, those to come too; returns the suppression's id."""
        return acting.suppress(
            self._office, who, why, station=station, zone=zone, condition=condition, until_s=until_s
        )

    def release(self, suppression_id: int, who: str, why: str = "") -> None:
        """End a suppression."""
        acting.release(self._office, suppression_id, who, why)

    def out_of_service(self, station: str, who: str, why: str, until_s: int | None = None) -> None:
        """Take a station out of service, or change reason and end while it is out."""
        acting.out_of_service(self._office, station, who, why, until_s)
        self._publish(Event("station", station))

    def return_to_service(self, station: str, who: str, why: str = "") -> None:
        """Put a station back in service."""
        acting.return_to_service(self._office, station, who, why)
        self._publish(Event("station", station))

    def tick(self, now_s: float) -> int:
        """End shelvings, suppressions and outages whose time is over; how many. Call it every minute."""
        return acting.tick(self._office, int(now_s))

    def check(self) -> None:
        """Raise DatabaseError if nothing can be written down now."""
        self._office.database.check()

    def profile_in_use(self, profile: Profile, replaced: Profile | None, who: str) -> None:
        """Write down that a profile was put in use; nothing if that is what was written down last.

        replaced : the one before, or None for a first
        """
        office = self._office
        if note_in_use(office.database, office.clock(), profile, replaced, who):
            self._publish(Event("station", profile.station))

    # ---- what pages ask -------------------------------------------------------------------------------

    def alerts(self, query: AlertQuery = ANY_ALERT) -> Page[AlertView]:
        """One page of alerts, worst or newest first."""
        with self._office.database.reading() as session:
            return queries.page(session, query, self._office.knowledge)

    def alert(self, alert_id: str) -> AlertView:
        """One alert."""
        with self._office.database.reading() as session:
            return queries.one(session, alert_id, self._office.knowledge)

    def history(
        self, alert_id: str | None = None, *, station: str | None = None, limit: int = 200
    ) -> list[AuditView]:
        """The audit of an alert, or of a station with all its alerts; findings included, newest first."""
        with self._office.database.reading() as session:
            return queries.history(session, alert_id, station, limit)

    def counts(self) -> Counts:
        """Standing alerts by station and zone."""
        with self._office.database.reading() as session:
            return queries.counts(session)

    def tally(self, zone: str | None = None) -> Tally:
        """What stands now, in counts, of one zone or of all."""
        with self._office.database.reading() as session:
            return queries.tally(session, zone)

    def suppressions(self, *, all_of_them: bool = False) -> list[SuppressionView]:
        """Suppressions in force, with past ones if asked; newest first."""
        with self._office.database.reading() as session:
            return queries.suppressions(session, all_of_them=all_of_them)

    def outages(self) -> list[OutageView]:
        """Stations out of service."""
        with self._office.database.reading() as session:
            return queries.outages(session)

    def load(self, from_s: int, to_s: int) -> AlarmLoad:
        """Alarm-load figures over [from_s, to_s)."""
        with self._office.database.reading() as session:
            return read_load(session, from_s, to_s, self._operators)

    # ---- findings and repairs -------------------------------------------------------------------------

    def record_finding(self, finding: NewFinding, who: str) -> FindingView:
        """Write down what was found and done; it moves the likelihoods of alerts raised or updated later."""
        return self._finding(findings.record(self._office, finding, who))

    def record_repair(self, finding_id: int, who: str, repaired_s: int, done: str = "") -> FindingView:
        """Add to a finding when it was repaired, and what was done."""
        findings.record_repair(self._office, finding_id, who, repaired_s, done)
        return self._finding(finding_id)

    def findings(
        self,
        station: str | None = None,
        condition: str | None = None,
        *,
        alert_id: str | None = None,
        limit: int = 200,
    ) -> list[FindingView]:
        """Findings, newest first."""
        with self._office.database.reading() as session:
            return findings.found(
                session,
                self._office.knowledge,
                limit,
                station=station,
                condition=condition,
                alert_id=alert_id,
            )

    def prove(self, finding_id: int, who: str, readings: Readings, profile: Profile) -> ProofView:
        """Compare regulation before and after the repair with the profile; the answer is kept.

        readings : of the station, from some days before the alert began until now
        """
        return findings.make_proof(self._office, finding_id, who, readings, profile)

    def _finding(self, finding_id: int) -> FindingView:
        with self._office.database.reading() as session:
            return findings.one(session, finding_id, self._office.knowledge)

    def _tell(self, changes: Sequence[AlertChange]) -> None:
        for change in changes:
            self._publish(Event("alert", change.alert.alert_id, change.change_no))

    def _publish(self, event: Event) -> None:
        if self._news is not None:
            self._news.publish(event)
