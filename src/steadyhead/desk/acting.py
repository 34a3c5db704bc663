"""What people do to alerts: acknowledge, shelve, suppress, take a station out of service; and the end of it.

Every refusal is a DeskError or NotFoundError whose text is fit for a page.
"""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import func, select

from steadyhead.alerts.lifecycle import Event, is_listed
from steadyhead.config.fields import did_you_mean
from steadyhead.desk.audit import CLOCK
from steadyhead.desk.book import Book, Office, words
from steadyhead.desk.holding import hold, hold_on, let_go
from steadyhead.desk.ranking import STANDING
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.store.tables import AlertRow, StationRow, SuppressRow
from steadyhead.types import CONDITIONS

MOST_SHELVED_S = 7 * 86400  # our own choice: what is to be away for longer is suppressed, by an engineer
OVER = "its time is over"

_CANNOT = {
    "acknowledge": "be acknowledged",
    "reset": "be reset",
    "shelve": "be shelved",
    "unshelve": "be taken from the shelf",
}


def acknowledge(office: Office, alert_id: str, who: str, note: str) -> None:
    """Say that a person has seen it and deals with it."""
    note = words(note, "the note", is_needed=False)
    with office.writing() as book:
        row = _listed(book, alert_id, "acknowledge")
        row.acknowledged_s, row.acknowledged_by = book.now_s, who
        book.move(row, "acknowledge", who, note)


def reset(office: Office, alert_id: str, who: str, note: str) -> None:
    """Let go an alert that has cleared, was acknowledged, and is kept until somebody resets it."""
    note = words(note, "the note", is_needed=False)
    with office.writing() as book:
        row = book.alert(alert_id)
        if row.state == "latched_unacknowledged":
            raise DeskError(
                f"alert {alert_id} cannot be reset yet: nobody has acknowledged it; do that first"
            )
        book.move(_listed(book, alert_id, "reset"), "reset", who, note)


def shelve(office: Office, alert_id: str, who: str, why: str, until_s: int) -> None:
    """Put it aside until a stated time."""
    why = words(why, "the reason for shelving", is_needed=True)
    with office.writing() as book:
        row = _listed(book, alert_id, "shelve")
        if row.state == "normal":
            raise DeskError(f"alert {alert_id} is over; there is nothing to shelve")
        if not book.now_s < until_s <= book.now_s + MOST_SHELVED_S:
            raise DeskError(
                f"shelving until {_time(until_s)} is not possible at {_time(book.now_s)}; give a time within "
                f"the next {MOST_SHELVED_S // 86400} days, or have it suppressed by design"
            )
        row.shelved_until_s, row.shelve_why = until_s, why
        book.move(row, "shelve", who, why, details={"until_s": until_s})


def unshelve(office: Office, alert_id: str, who: str, why: str) -> None:
    """Take it from the shelf before its time."""
    why = words(why, "the reason", is_needed=False)
    with office.writing() as book:
        let_go(book, _listed(book, alert_id, "unshelve"), "unshelve", who, why)


def suppress(
    office: Office,
    who: str,
    why: str,
    *,
    station: str | None,
    zone: str | None,
    condition: str | None,
    until_s: int | None,
) -> int:
    """Hold back all alerts that match, those to come too; the id of the suppression."""
    why = words(why, "the reason for suppressing", is_needed=True)
    if station is None and zone is None and condition is None:
        raise DeskError("a suppression must name a station, a zone or a condition; it would hide everything")
    _known(office, station, zone, condition)
    with office.writing() as book:
        _in_future(book, until_s)
        made = SuppressRow(
            station=station, zone=zone, condition=condition, from_s=book.now_s, until_s=until_s, who=who,
            why=why, released_s=None,
        )  # fmt: skip
        book.session.add(made)
        book.session.flush()
        book.note(who, "suppression_made", "suppression", str(made.id), why, _details(made))
        for row in book.alerts(STANDING, station=station, zone=zone, condition=condition):
            hold(book, row)
        return made.id


def release(office: Office, suppression_id: int, who: str, why: str) -> None:
    """End a suppression; what it held back and still holds calls again."""
    why = words(why, "the reason", is_needed=False)
    with office.writing() as book:
        made = book.session.get(SuppressRow, suppression_id)
        if made is None:
            raise NotFoundError(f"there is no suppression {suppression_id}")
        if made.released_s is not None:
            raise DeskError(f"suppression {suppression_id} has been over since {_time(made.released_s)}")
        _release(book, made, who, why)


def out_of_service(office: Office, station: str, who: str, why: str, until_s: int | None) -> None:
    """Take a station out of service; its alerts are held back until it returns.

    Asked again while it is out, this changes reason and end.
    """
    why = words(why, "the reason for taking it out of service", is_needed=True)
    _known(office, station, None, None)
    with office.writing() as book:
        _in_future(book, until_s)
        row = book.session.get(StationRow, station)
        if row is None:
            row = StationRow(station=station, is_out=False, since_s=0, until_s=None, who="", why="")
            book.session.add(row)
        if not row.is_out:
            row.is_out, row.since_s = True, book.now_s
        row.until_s, row.who, row.why = until_s, who, why
        book.session.flush()
        book.note(who, "station_out_of_service", "station", station, why, {"until_s": until_s})
        for alert in book.alerts(STANDING, station=station):
            hold(book, alert)


def return_to_service(office: Office, station: str, who: str, why: str) -> None:
    """Put a station back in service; what holds at it calls again."""
    why = words(why, "the reason", is_needed=False)
    with office.writing() as book:
        row = book.session.get(StationRow, station)
        if row is None:  # one that has a row may return even if the registry has forgotten it
            _known(office, station, None, None)
        if row is None or not row.is_out:
            raise DeskError(f"{station} is in service already")
        _return(book, row, who, why)


def tick(office: Office, now_s: int) -> int:
    """End every shelving, suppression and outage whose time is over; how many there were."""
    shelved = (AlertRow.state == "shelved", AlertRow.shelved_until_s <= now_s)
    suppressed = (SuppressRow.released_s.is_(None), SuppressRow.until_s <= now_s)
    out = (StationRow.is_out.is_(True), StationRow.until_s <= now_s)
    with office.database.reading() as session:  # nearly always nothing is due, and nobody has to wait
        due = [
            session.scalar(select(func.count()).select_from(table).where(*which))
            for table, which in ((AlertRow, shelved), (SuppressRow, suppressed), (StationRow, out))
        ]
    if not any(due):
        return 0
    n = 0
    with office.writing() as book:
        book.now_s = now_s
        for made in book.session.scalars(select(SuppressRow).where(*suppressed)).all():
            _release(book, made, CLOCK, OVER)
            n += 1
        for station in book.session.scalars(select(StationRow).where(*out)).all():
            _return(book, station, CLOCK, OVER)
            n += 1
        for row in book.session.scalars(select(AlertRow).where(*shelved).order_by(AlertRow.alert_id)).all():
            let_go(book, row, "unshelve", CLOCK, OVER)
            n += 1
    return n


def _release(book: Book, made: SuppressRow, who: str, why: str) -> None:
    made.released_s = book.now_s
    book.session.flush()
    book.note(who, "suppression_released", "suppression", str(made.id), why, _details(made))
    held = book.alerts(
        ("suppressed_by_design",), station=made.station, zone=made.zone, condition=made.condition
    )
    for row in held:
        if not _is_suppressed_otherwise(book, row):
            let_go(book, row, "release", who, why)


def _is_suppressed_otherwise(book: Book, row: AlertRow) -> bool:
    still = hold_on(book.session, row.station, row.zone, row.condition)
    return still is not None and still.event == "suppress"


def _return(book: Book, row: StationRow, who: str, why: str) -> None:
    row.is_out, row.until_s = False, None
    book.session.flush()
    book.note(who, "station_returned", "station", row.station, why)
    for alert in book.alerts(("out_of_service",), station=row.station):
        let_go(book, alert, "return_to_service", who, why)


def _listed(book: Book, alert_id: str, event: Event) -> AlertRow:
    row = book.alert(alert_id)
    if not is_listed(row.state, event):
        by = f" by {row.acknowledged_by}" if row.acknowledged_by else ""
        raise DeskError(
            f"alert {alert_id} cannot {_CANNOT[event]}: it is {row.state.replace('_', ' ')}{by}; read it "
            "again, somebody else may have been faster"
        )
    return row


def _known(office: Office, station: str | None, zone: str | None, condition: str | None) -> None:
    zones = sorted({z for z in office.registry.zones().values() if z is not None})
    for what, name, known in (
        ("station", station, list(office.registry.stations)),
        ("zone", zone, zones),
        ("condition", condition, [str(name) for name in CONDITIONS]),
    ):
        if name is not None and name not in known:
            near = did_you_mean(name, known)
            raise NotFoundError(f'there is no {what} "{name}"{". " + near if near else "; mend the name"}')


def _in_future(book: Book, until_s: int | None) -> None:
    if until_s is not None and until_s <= book.now_s:
        raise DeskError(
            f"the end, {_time(until_s)}, is not after now, {_time(book.now_s)}; give a later one, or none"
        )


def _details(made: SuppressRow) -> dict[str, str | int | None]:
    return {
        "station": made.station,
        "zone": made.zone,
        "condition": made.condition,
        "until_s": made.until_s,
    }


def _time(at_s: int) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
