"""What the engine tells the desk: raised, cleared, updated. Each may come again any number of times."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sqlalchemy import select

from steadyhead.alerts.jsonlines import rfc3339, to_dict
from steadyhead.alerts.model import Alert, Verdict, utc
from steadyhead.config.model import Station
from steadyhead.desk.audit import ENGINE
from steadyhead.desk.book import Book, Office, alert_of
from steadyhead.desk.guard import is_kept_quiet, is_same_episode
from steadyhead.desk.holding import hold
from steadyhead.desk.likelihoods import Found, moved_knowledge
from steadyhead.diagnosis.checks import to_alert, traits_of
from steadyhead.errors import NotFoundError
from steadyhead.store.tables import AlertRow, FindingRow, RaiseRow

LIKELIHOOD_DECIMALS = 3


def raised(office: Office, verdict: Verdict) -> Alert | None:
    """Take in a raise; None if it is known already.

    A raise soon after the end of an alert of the same station and condition goes on with that alert, which
    is then returned. Raises NotFoundError if the registry has no such station.
    """
    station = _station(office, verdict.station)
    name = verdict.alert_id
    # A verdict that goes on with its own episode keeps raised_s and says in updated_s when it came back.
    at_s = verdict.updated_s if verdict.ended_s is None else verdict.raised_s
    with office.writing() as book:
        known = _latest_raise(book, RaiseRow.name == name)
        if known is not None and (known.cleared_s is None or at_s <= max(known.at_s, known.cleared_s)):
            return None
        row = book.alert(known.alert_id) if known is not None else _going_on(book, verdict, at_s)
        if row is None:
            row = _new_row(book, verdict, station, name)
            kind = None
        else:
            kind = "raised_again"
        was_true = row.is_true
        if was_true:  # another raise of what still stands, such as after a new profile: nothing changes
            _close_open_raises(book, row, at_s)
        book.session.flush()
        book.session.add(RaiseRow(name=name, at_s=at_s, alert_id=row.alert_id, cleared_s=None))
        if not was_true:
            _becomes_true(book, row, verdict, at_s, kind)
        if verdict.ended_s is not None:
            _clear(book, row, verdict.updated_s, verdict)
        return alert_of(row)


def cleared(office: Office, name: str, at_s: int, verdict: Verdict | None) -> None:
    """Take in a clear of what was raised under this alert id.

    Raises NotFoundError if nothing was ever raised under it.
    """
    with office.writing() as book:
        known = _latest_raise(book, RaiseRow.name == name, RaiseRow.at_s <= at_s)
        if known is None:
            if _latest_raise(book, RaiseRow.name == name) is None:
                raise NotFoundError(f"alert {name} was cleared but never raised; raise it first")
            return
        if known.cleared_s is None:
            _clear(book, book.alert(known.alert_id), at_s, verdict)


def updated(office: Office, verdict: Verdict) -> None:
    """Take in newer figures and evidence of what stands; older ones, and those of what is over, are let be.

    In the audit only where the name has changed: else nothing about what a person has to do changes, and
    ``updated_at`` says when it was.
    """
    station = _station(office, verdict.station)
    name = verdict.alert_id
    with office.writing() as book:
        known = _latest_raise(book, RaiseRow.name == name)
        if known is None or known.cleared_s is not None:
            return
        row = book.alert(known.alert_id)
        if verdict.updated_s <= row.updated_s:
            return
        if verdict.condition != row.condition:
            why = f"{row.condition} until now; the evidence fits {verdict.condition} better"
            book.note(ENGINE, "renamed", "alert", row.alert_id, why)
        _write_down(book, row, verdict, station)
        book.changed(row, "updated", row.state, ENGINE, "", verdict.updated_s, is_call=False)


def _latest_raise(book: Book, *which: Any) -> RaiseRow | None:
    query = select(RaiseRow).where(*which).order_by(RaiseRow.at_s.desc()).limit(1)
    return book.session.scalars(query).first()


def _going_on(book: Book, verdict: Verdict, at_s: int) -> AlertRow | None:
    """The alert that the raise goes on with: of the same condition, and standing or ended not long ago."""
    query = (
        select(AlertRow)
        .where(AlertRow.station == verdict.station, AlertRow.condition == verdict.condition)
        .order_by(AlertRow.raised_s.desc())
        .limit(1)
    )
    row = book.session.scalars(query).first()
    if row is None:
        return None
    last = _latest_raise(book, RaiseRow.alert_id == row.alert_id)
    if last is None or last.at_s >= at_s:
        return None  # an older episode that is told late is an alert of its own
    if row.is_true or row.ended_s is None:
        return row
    return row if is_same_episode(verdict.condition, row.ended_s, at_s) else None


def _close_open_raises(book: Book, row: AlertRow, at_s: int) -> None:
    query = select(RaiseRow).where(RaiseRow.alert_id == row.alert_id, RaiseRow.cleared_s.is_(None))
    for one in book.session.scalars(query):
        one.cleared_s = at_s


def _becomes_true(book: Book, row: AlertRow, verdict: Verdict, at_s: int, kind: Any) -> None:
    hold(book, row)  # before it is true, so that a held alert is never active for a moment
    row.is_true = True
    if kind is not None:
        row.ended_s = None
        row.updated_s = at_s
        row.document = {**row.document, **_times(row)}
    is_quiet = is_kept_quiet(verdict.condition, row.announced_s, at_s)
    book.move(row, "condition_true", ENGINE, at_s=at_s, is_quiet=is_quiet, kind=kind)


def _clear(book: Book, row: AlertRow, at_s: int, verdict: Verdict | None) -> None:
    _close_open_raises(book, row, at_s)
    row.is_true = False
    if verdict is not None:
        _write_down(book, row, verdict, _station(book.office, row.station))
    ended_s = at_s if verdict is None or verdict.ended_s is None else verdict.ended_s
    row.ended_s = max(ended_s, row.raised_s)
    row.updated_s = max(at_s, row.updated_s)
    row.document = {**row.document, **_times(row)}
    book.move(row, "condition_clear", ENGINE, at_s=at_s)


def _new_row(book: Book, verdict: Verdict, station: Station, name: str) -> AlertRow:
    row = AlertRow(
        alert_id=name, station=verdict.station, zone=station.zone, condition=verdict.condition,
        state="normal", is_true=False, began_s=verdict.began_s, raised_s=verdict.raised_s,
        updated_s=verdict.updated_s, ended_s=None, change_no=0, rank=0,
        profile_version=verdict.profile_version,
    )  # fmt: skip
    _write_down(book, row, verdict, station)
    book.session.add(row)
    return row


def _write_down(book: Book, row: AlertRow, verdict: Verdict, station: Station) -> None:
    """The verdict's answer in the row; the episode keeps its own id and beginning."""
    verdict = replace(verdict, raised_s=row.raised_s, began_s=row.began_s, ended_s=None)
    traits = traits_of(verdict)
    found = book.session.execute(
        select(FindingRow.cause_key, AlertRow.traits)
        .outerjoin(AlertRow, AlertRow.alert_id == FindingRow.alert_id)
        .where(FindingRow.condition == verdict.condition)
    )
    knowledge = moved_knowledge(
        book.office.knowledge,
        verdict.condition,
        traits,
        [Found(key, of_alert or {}) for key, of_alert in found],
    )
    alert = to_alert(verdict, station, knowledge, book.office.registry.settings.units)
    causes = tuple(
        replace(c, likelihood=round(c.likelihood, LIKELIHOOD_DECIMALS)) for c in alert.likely_causes
    )
    row.condition = alert.condition
    row.priority = alert.priority
    row.confidence = alert.confidence
    row.updated_s = verdict.updated_s
    row.facts, row.traits = _finite(verdict.facts), traits
    row.document = {
        **to_dict(replace(alert, likely_causes=causes)),
        "alert_id": row.alert_id,
        "state": row.state,
    }


def _times(row: AlertRow) -> dict[str, Any]:
    """The changing times of the document, as ``alerts/schema.json`` wants them."""
    ended = None if row.ended_s is None else rfc3339(utc(row.ended_s))
    return {"updated_at": rfc3339(utc(row.updated_s)), "ended_at": ended}


def _finite(numbers: Mapping[str, float]) -> dict[str, float]:
    return {name: float(value) for name, value in numbers.items() if math.isfinite(value)}


def _station(office: Office, name: str) -> Station:
    found = office.registry.stations.get(name)
    if found is None:
        raise NotFoundError(f"there is no station {name} in the registry; add it, or mend the name")
    return found
