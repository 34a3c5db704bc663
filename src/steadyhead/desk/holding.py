"""What holds alerts back: a station out of service, a suppression by design. Which alerts, and until when."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from steadyhead.alerts.lifecycle import Event, is_listed
from steadyhead.desk.book import Book
from steadyhead.desk.ranking import STANDING
from steadyhead.store.tables import AlertRow, StationRow, SuppressRow


@dataclass(frozen=True, slots=True)
class Hold:
    """Why an alert is held back, who wanted it, and the event that holds it."""

    event: Event
    who: str
    why: str


def hold_on(session: Session, station: str, zone: str | None, condition: str) -> Hold | None:
    """What holds alerts of this condition at this station back now; a station out of service goes first."""
    out = session.get(StationRow, station)
    if out is not None and out.is_out:
        return Hold("remove_from_service", out.who, out.why)
    found = session.scalars(
        select(SuppressRow)
        .where(
            SuppressRow.released_s.is_(None),
            or_(SuppressRow.station.is_(None), SuppressRow.station == station),
            or_(SuppressRow.zone.is_(None), SuppressRow.zone == zone),
            or_(SuppressRow.condition.is_(None), SuppressRow.condition == condition),
        )
        .order_by(SuppressRow.id)
        .limit(1)
    ).first()
    return None if found is None else Hold("suppress", found.who, found.why)


def hold(book: Book, row: AlertRow) -> None:
    """Hold the alert back if something holds and its state lets it."""
    found = hold_on(book.session, row.station, row.zone, row.condition)
    if found is not None and is_listed(row.state, found.event):
        book.session.flush()
        book.move(row, found.event, found.who, found.why)


def let_go(book: Book, row: AlertRow, event: Event, who: str, why: str) -> None:
    """Bring an alert back into use; if something else holds it back still, it goes there without a call."""
    still = hold_on(book.session, row.station, row.zone, row.condition)
    book.move(row, event, who, why, is_quiet=still is not None)
    if row.state in STANDING:  # true, or latched on the shelf
        hold(book, row)
