"""What pages ask of the desk: lists, one alert, its history, counts. Nothing here writes."""

from __future__ import annotations

import base64
import binascii
from collections import Counter
from typing import Any

from sqlalchemy import Select, and_, func, or_, select, tuple_
from sqlalchemy.orm import Session

from steadyhead.alerts.lifecycle import Event, is_listed
from steadyhead.alerts.model import PRIORITIES, Priority
from steadyhead.desk.audit import sentence
from steadyhead.desk.book import COUNTER, alert_of
from steadyhead.desk.ranking import HELD, STANDING, UNACKNOWLEDGED
from steadyhead.desk.views import (
    AlertQuery,
    AlertView,
    AuditView,
    Count,
    Counts,
    OutageView,
    Page,
    SuppressionView,
    Tally,
)
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.store.tables import AlertRow, AuditRow, CounterRow, FindingRow, StationRow, SuppressRow

_MOST = 2**63 - 1  # the largest whole number of both kinds of database

MOST = 500
BY_HAND: tuple[Event, ...] = ("acknowledge", "reset", "shelve", "unshelve")


def page(session: Session, query: AlertQuery, knowledge: Knowledge) -> Page[AlertView]:
    """One page of alerts; the pages go on by what was last seen, so new alerts shift nothing."""
    if not 1 <= query.limit <= MOST:
        raise DeskError(f"limit is {query.limit}; give 1 to {MOST}")
    keys = (AlertRow.rank, AlertRow.raised_s, AlertRow.alert_id)
    keys_used = keys if query.sort == "worst" else keys[1:]
    chosen = _filtered(select(AlertRow), query)
    total = session.scalar(_filtered(select(func.count()).select_from(AlertRow), query)) or 0
    if query.after is not None:
        chosen = chosen.where(tuple_(*keys_used) < tuple_(*_read_cursor(query)))
    rows = list(session.scalars(chosen.order_by(*(key.desc() for key in keys_used)).limit(query.limit + 1)))
    more, rows = len(rows) > query.limit, rows[: query.limit]
    held = _Held.read(session)
    items = tuple(_view(row, knowledge, held) for row in rows)
    return Page(items, _cursor(query, rows[-1]) if more else None, total)


def one(session: Session, alert_id: str, knowledge: Knowledge) -> AlertView:
    """One alert. Raises NotFoundError."""
    row = session.get(AlertRow, alert_id)
    if row is None:
        raise NotFoundError(f"there is no alert {alert_id}; it may belong to another database")
    return _view(row, knowledge, _Held.read(session))


def history(session: Session, alert_id: str | None, station: str | None, limit: int) -> list[AuditView]:
    """The audit of an alert or of a station, with all findings and alerts that belong to it; newest first."""
    if alert_id is not None:
        one_of = [and_(AuditRow.subject_kind == "alert", AuditRow.subject == alert_id)]
        found = select(FindingRow.id).where(FindingRow.alert_id == alert_id)
    elif station is not None:
        of_station = select(AlertRow.alert_id).where(AlertRow.station == station)
        one_of = [
            and_(AuditRow.subject_kind == "station", AuditRow.subject == station),
            and_(AuditRow.subject_kind == "alert", AuditRow.subject.in_(of_station)),
        ]
        found = select(FindingRow.id).where(FindingRow.station == station)
    else:
        raise DeskError("say whose history: give an alert or a station")
    ids = [str(number) for number in session.scalars(found)]
    one_of.append(and_(AuditRow.subject_kind == "finding", AuditRow.subject.in_(ids)))
    rows = session.scalars(select(AuditRow).where(or_(*one_of)).order_by(AuditRow.id.desc()).limit(limit))
    return [_audit_view(row) for row in rows]


def counts(session: Session) -> Counts:
    """Standing and held alerts of every station and zone that has one."""
    of_station: dict[str, Count] = {}
    of_zone: dict[str, Count] = {}
    total = Count()
    rows = session.execute(
        select(
            AlertRow.alert_id, AlertRow.station, AlertRow.zone, AlertRow.condition, AlertRow.state,
            AlertRow.priority, AlertRow.is_true,
        )
        .where(or_(AlertRow.state.in_(STANDING), and_(AlertRow.state.in_(HELD), AlertRow.is_true.is_(True))))
        .order_by(AlertRow.rank.desc(), AlertRow.raised_s.desc(), AlertRow.alert_id.desc())
    )  # fmt: skip
    for row in rows:
        total = _added(total, row)
        of_station[row.station] = _added(of_station.get(row.station, Count()), row)
        if row.zone is not None:
            of_zone[row.zone] = _added(of_zone.get(row.zone, Count()), row)
    out = frozenset(session.scalars(select(StationRow.station).where(StationRow.is_out.is_(True))))
    return Counts(total, of_station, of_zone, out, newest_change(session))


def tally(session: Session, zone: str | None = None) -> Tally:
    """What stands now, of one zone or of all; every alert is counted, however many there are."""
    chosen = select(AlertRow.alert_id, AlertRow.station, AlertRow.state, AlertRow.priority).where(
        or_(AlertRow.state.in_(STANDING), and_(AlertRow.state.in_(HELD), AlertRow.is_true.is_(True)))
    )
    if zone is not None:
        chosen = chosen.where(AlertRow.zone == zone)
    rows = session.execute(chosen.order_by(AlertRow.raised_s.desc(), AlertRow.alert_id)).all()
    n = Counter(row.state for row in rows)
    of_open = {row.station for row in rows if row.state == "active_unacknowledged"}
    of_known = {row.station for row in rows if row.state == "active_acknowledged"}
    return Tally(
        open=tuple((row.alert_id, row.priority) for row in rows if row.state == "active_unacknowledged"),
        open_stations=len(of_open),
        known_stations=len(of_known - of_open),
        known=n["active_acknowledged"],
        unseen=n["returned_unacknowledged"] + n["latched_unacknowledged"],
        latched=n["latched_acknowledged"],
        held=sum(n[state] for state in HELD),
        change_no=newest_change(session),
    )


def newest_change(session: Session) -> int:
    """Number of the last change of any alert; 0 before the first."""
    return session.get_one(CounterRow, COUNTER).value


def suppressions(session: Session, *, all_of_them: bool) -> list[SuppressionView]:
    """Suppressions in force, newest first; with those that are over if asked."""
    query = select(SuppressRow).order_by(SuppressRow.id.desc())
    if not all_of_them:
        query = query.where(SuppressRow.released_s.is_(None))
    return [
        SuppressionView(s.id, s.station, s.zone, s.condition, s.from_s, s.until_s, s.who, s.why, s.released_s)
        for s in session.scalars(query)
    ]


def outages(session: Session) -> list[OutageView]:
    """Stations out of service, by name."""
    rows = session.scalars(select(StationRow).where(StationRow.is_out.is_(True)).order_by(StationRow.station))
    return [OutageView(row.station, row.since_s, row.until_s, row.who, row.why) for row in rows]


def _filtered(chosen: Select[Any], query: AlertQuery) -> Select[Any]:
    for name in ("zone", "condition", "station", "state", "priority"):
        wanted = getattr(query, name)
        if wanted is not None:
            chosen = chosen.where(getattr(AlertRow, name) == wanted)
    if query.text:
        forms = {query.text, query.text.replace(" ", "_"), query.text.replace(" ", "-")}
        chosen = chosen.where(or_(*(AlertRow.station.icontains(form, autoescape=True) for form in forms)))
    if query.standing:
        chosen = chosen.where(AlertRow.state.in_(STANDING))
    if query.changed_after is not None:
        chosen = chosen.where(AlertRow.change_no > query.changed_after)
    return chosen


def _cursor(query: AlertQuery, row: AlertRow) -> str:
    text = f"{query.sort}|{row.rank}|{row.raised_s}|{row.alert_id}"
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def _read_cursor(query: AlertQuery) -> tuple[Any, ...]:
    after = query.after or ""
    try:
        text = base64.urlsafe_b64decode(after + "=" * (-len(after) % 4)).decode()
        sort, rank, raised_s, alert_id = text.split("|")
        keys = (int(rank), int(raised_s), alert_id)
        if not all(-_MOST <= key <= _MOST for key in keys[:2]):
            raise ValueError("no database holds such a number")  # noqa: TRY301
    except (binascii.Error, ValueError) as exc:
        raise DeskError("after is not a place in this list; take it from `next` of the page before") from exc
    if sort != query.sort:
        raise DeskError(f"after belongs to a list sorted by {sort}, this one is sorted by {query.sort}")
    return keys if query.sort == "worst" else keys[1:]


class _Held:
    """Outages and suppressions in force, read once for a whole page."""

    def __init__(self, out: dict[str, StationRow], made: list[SuppressRow]) -> None:
        self._out = out
        self._made = made

    @classmethod
    def read(cls, session: Session) -> _Held:
        out = {row.station: row for row in session.scalars(select(StationRow).where(StationRow.is_out))}
        made = select(SuppressRow).where(SuppressRow.released_s.is_(None)).order_by(SuppressRow.id)
        return cls(out, list(session.scalars(made)))

    def why(self, row: AlertRow) -> str | None:
        if row.state == "shelved":
            return f"Shelved: {row.shelve_why}"
        if row.state == "out_of_service" and row.station in self._out:
            out = self._out[row.station]
            return f"Station taken out of service by {out.who}: {out.why}"
        if row.state == "suppressed_by_design":
            for made in self._made:
                wanted = (made.station, made.zone, made.condition)
                has = (row.station, row.zone, row.condition)
                if all(w is None or w == h for w, h in zip(wanted, has, strict=True)):
                    return f"Suppressed by design by {made.who}: {made.why}"
        return None


def _view(row: AlertRow, knowledge: Knowledge, held: _Held) -> AlertView:
    entry = knowledge.entries[row.condition]
    return AlertView(
        alert=alert_of(row), zone=row.zone, title=entry.title, meaning=entry.meaning, is_true=row.is_true,
        is_standing=row.state in STANDING, began_s=row.began_s, raised_s=row.raised_s,
        updated_s=row.updated_s, ended_s=row.ended_s, announced_s=row.announced_s,
        acknowledged_s=row.acknowledged_s, acknowledged_by=row.acknowledged_by,
        shelved_until_s=row.shelved_until_s, shelve_why=row.shelve_why, held_why=held.why(row),
        may=tuple(e for e in BY_HAND if row.state != "normal" and is_listed(row.state, e)),
        facts=row.facts, traits=row.traits, rank=row.rank, change_no=row.change_no,
    )  # fmt: skip


def _audit_view(row: AuditRow) -> AuditView:
    return AuditView(
        row.id, row.at_s, row.who, row.what, row.subject_kind, row.subject, row.why, row.from_state,
        row.to_state, row.details, sentence(row),
    )  # fmt: skip


def _added(count: Count, row: Any) -> Count:
    """The count with one more alert; alerts come worst first."""
    stands = row.state in STANDING
    first = stands and count.standing == 0
    worst: Priority | None = count.worst
    if stands and (worst is None or PRIORITIES.index(row.priority) > PRIORITIES.index(worst)):
        worst = row.priority
    return Count(
        standing=count.standing + stands,
        unacknowledged=count.unacknowledged + (row.state in UNACKNOWLEDGED),
        held=count.held + (not stands),
        worst=worst,
        worst_alert=row.alert_id if first else count.worst_alert,
        worst_condition=row.condition if first else count.worst_condition,
    )
