"""One write of the desk: the open transaction, and the one function that moves an alert to another state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.alerts.jsonlines import from_dict
from steadyhead.alerts.lifecycle import Event, advance
from steadyhead.alerts.model import Alert, AlertState
from steadyhead.config.model import Registry
from steadyhead.desk.ranking import rank
from steadyhead.desk.views import AlertChange, ChangeKind, Hook
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.store.database import Database
from steadyhead.store.tables import AlertRow, AnnouncementRow, AuditRow, CounterRow

COUNTER = "change"
MOST_WORDS = 2000  # characters of a note or a reason

_KINDS: Mapping[Event, ChangeKind] = {
    "condition_true": "raised",
    "condition_clear": "cleared",
    "acknowledge": "acknowledged",
    "reset": "reset",
    "shelve": "shelved",
    "unshelve": "unshelved",
    "suppress": "suppressed",
    "release": "released",
    "remove_from_service": "taken_out",
    "return_to_service": "put_back",
}


@dataclass(frozen=True, slots=True)
class Office:
    """What every write of the desk needs to have at hand."""

    database: Database
    knowledge: Knowledge
    registry: Registry
    clock: Callable[[], float]
    hooks: tuple[Hook, ...]
    told: Callable[[Sequence[AlertChange]], None]  # after the commit
    latching: frozenset[str] = frozenset()  # conditions whose alerts stay until somebody resets them

    @contextmanager
    def writing(self) -> Iterator[Book]:
        """A transaction in which alerts may change; one at a time, so that ``change_no`` grows in order."""
        with self.database.session() as session:
            counter = session.get_one(CounterRow, COUNTER, with_for_update=True)
            book = Book(session, self, int(self.clock()), counter)
            yield book
            session.flush()
        self.told(book.changes)


@dataclass(slots=True)
class Book:
    """The open transaction of one write.

    now_s : time of the clock at its start; changes : what the alerts went through, in order
    """

    session: Session
    office: Office
    now_s: int
    counter: CounterRow
    changes: list[AlertChange] = field(default_factory=list)

    def alert(self, alert_id: str) -> AlertRow:
        """The row of an alert. Raises NotFoundError."""
        row = self.session.get(AlertRow, alert_id)
        if row is None:
            raise NotFoundError(f"there is no alert {alert_id}; it may belong to another database")
        return row

    def alerts(self, states: Iterable[AlertState], **equal: str | None) -> list[AlertRow]:
        """Alerts in any of the states whose columns equal what is given; None does not filter."""
        query = select(AlertRow).where(AlertRow.state.in_(tuple(states)))
        for name, value in equal.items():
            if value is not None:
                query = query.where(getattr(AlertRow, name) == value)
        return list(self.session.scalars(query.order_by(AlertRow.raised_s, AlertRow.alert_id)))

    def note(
        self,
        who: str,
        what: str,
        kind: str,
        subject: str,
        why: str = "",
        details: Mapping[str, Any] | None = None,
    ) -> None:
        """A line of the audit that moves no alert."""
        self.session.add(
            AuditRow(
                at_s=self.now_s, who=who, what=what, subject_kind=kind, subject=subject, why=why,
                details=dict(details or {}),
            )
        )  # fmt: skip

    def move(
        self,
        row: AlertRow,
        event: Event,
        who: str,
        why: str = "",
        *,
        at_s: int | None = None,
        is_quiet: bool = False,
        kind: ChangeKind | None = None,
        details: Mapping[str, Any] | None = None,
    ) -> None:
        """Take an alert through an event: state, rank, audit, call and hooks, all in this transaction.

        at_s : data time for what the engine saw; the clock's time otherwise
        is_quiet : becoming active must not call for a person
        ``row.is_true`` has to say already what holds now.
        """
        at_s = self.now_s if at_s is None else at_s
        before: AlertState = row.state
        is_latching = row.condition in self.office.latching
        after = advance(before, event, is_true=row.is_true, is_latching=is_latching)
        if is_latching:  # as it was set then: a later setting must not change what the audit replays to
            details = {**(details or {}), "is_latching": True}
        is_call = after == "active_unacknowledged" and before != after and not is_quiet
        row.state = after
        if before == "shelved" and after != "shelved":
            row.shelved_until_s = row.shelve_why = None
        if after == "active_unacknowledged":
            row.acknowledged_s = row.acknowledged_by = None
        if is_call:
            row.announced_s = at_s
            self.session.flush()  # a new alert has to be there before what refers to it
            self.session.add(
                AnnouncementRow(
                    at_s=at_s, alert_id=row.alert_id, station=row.station, condition=row.condition,
                    priority=row.priority,
                )
            )  # fmt: skip
        self.session.add(
            AuditRow(
                at_s=self.now_s, who=who, what=event, subject_kind="alert", subject=row.alert_id, why=why,
                from_state=before, to_state=after,
                details={**(details or {}), "is_true": row.is_true, "at_s": at_s},
            )
        )  # fmt: skip
        self.changed(row, kind or _KINDS[event], before, who, why, at_s, is_call)

    def changed(
        self,
        row: AlertRow,
        kind: ChangeKind,
        before: AlertState,
        who: str,
        why: str,
        at_s: int,
        is_call: bool,
    ) -> None:
        """Number the change, bring document and rank in line with the row, and tell the hooks."""
        self.counter.value += 1
        row.change_no = self.counter.value
        row.rank = rank(row.state, row.priority)
        row.document = {**row.document, "state": row.state}
        self.session.flush()
        change = AlertChange(
            kind=kind, alert=alert_of(row), zone=row.zone, from_state=before, to_state=row.state,
            who=who, why=why, at_s=at_s, change_no=row.change_no, is_call=is_call,
        )  # fmt: skip
        self.changes.append(change)
        for hook in self.office.hooks:
            hook(self.session, change)


def alert_of(row: AlertRow) -> Alert:
    """The alert of a row, as it leaves the house."""
    return from_dict(row.document)


def words(text: str, what: str, *, is_needed: bool) -> str:
    """A note or a reason, trimmed.

    Raises DeskError if it is empty though needed, or too long.
    """
    text = text.strip()
    if is_needed and not text:
        raise DeskError(f"{what} is empty; say in a few words why, others will read it")
    if len(text) > MOST_WORDS:
        raise DeskError(f"{what} has {len(text)} characters, {MOST_WORDS} are the most; shorten it")
    return text
