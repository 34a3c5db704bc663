"""The outbox: messages waiting in the database until a receiver has taken them.

A row is written in the transaction of the change it tells of. It is finished when ``sent_s`` or ``gave_up_s``
is set; failure never removes it. Before a try the row is claimed: its try is counted, and it becomes due
again only after the longest time a sending can take. So no other thread or process takes it meanwhile, and if
the process dies it is tried again.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session, aliased

from steadyhead.notify.message import Item, Message, item_of
from steadyhead.store.tables import AlertRow, OutboxRow

GATHERED = "gathered"
"""``change`` of a row that stands for several others, so that they are sent as one message."""

ESCALATION = "not_acknowledged"
HELD_S = 2**60  # due never: rows that go with a gathered one
MOST_AT_ONCE = 300  # rows looked at, and gathered into one message; what is above it goes into the next


@dataclass(frozen=True, slots=True)
class Due:
    """A row that may be sent now."""

    row_id: int
    is_gathered: bool


@dataclass(frozen=True, slots=True)
class Claimed:
    """A message that is ours to send now.

    tries : this one included
    first_due_s : when it could have gone for the first time; the end of trying counts from it
    """

    row_id: int
    message: Message
    tries: int
    first_due_s: int


def is_open() -> ColumnElement[bool]:
    """Condition for rows that are neither sent nor given up."""
    return OutboxRow.sent_s.is_(None) & OutboxRow.gave_up_s.is_(None)


def add(session: Session, key: str, channel: str, item: Item, now_s: int, due_s: int) -> None:
    """A message to send, unless it is there already.

    Earlier ones of the alert that quiet hours have put off until later than ``due_s`` are sent with it: the
    quiet is broken for this alert anyway, and the story is told in order.
    """
    if session.scalar(select(OutboxRow.id).where(OutboxRow.key == key)) is not None:
        return
    alert_id = str(item.alert["alert_id"])
    if item.change != ESCALATION:  # that one may never be sent
        session.execute(
            update(OutboxRow)
            .where(
                OutboxRow.channel == channel,
                OutboxRow.alert_id == alert_id,
                OutboxRow.change.not_in((ESCALATION, GATHERED)),
                OutboxRow.tries == 0,
                OutboxRow.due_s > due_s,
                OutboxRow.due_s < HELD_S,
                is_open(),
            )
            .values(due_s=due_s)
        )
    session.add(
        OutboxRow(
            key=key,
            channel=channel,
            alert_id=alert_id,
            change=item.change,
            payload={**item.to_payload(), "first_due_s": due_s},
            made_s=now_s,
            due_s=due_s,
            tries=0,
        )
    )


def channels_told(session: Session, alert_id: str, changes: Sequence[str], since_s: int) -> set[str]:
    """Channels that have been told, or will be, of one of these changes of an alert.

    since_s : no message of the alert was sent before; sent ones are found by time, as they are many
    """
    query = select(OutboxRow.channel).where(
        (OutboxRow.sent_s >= since_s) | OutboxRow.sent_s.is_(None),
        OutboxRow.alert_id == alert_id,
        OutboxRow.change.in_(changes),
    )
    return set(session.scalars(query))


def channels_due(session: Session, now_s: int) -> list[str]:
    """Channels for which something is due."""
    query = select(OutboxRow.channel).where(is_open(), OutboxRow.due_s <= now_s).distinct()
    return list(session.scalars(query))


def due_rows(session: Session, channel: str, now_s: int) -> list[Due]:
    """Rows of a channel that may be sent now, the least tried first, at most ``MOST_AT_ONCE``.

    Rows are left out that wait for an earlier one of their alert which is not due itself, so that a receiver
    never hears that an alert is over before it hears that there was one.
    """
    earlier = aliased(OutboxRow)
    waits = (
        select(earlier.id)
        .where(
            earlier.channel == OutboxRow.channel,
            earlier.alert_id == OutboxRow.alert_id,
            earlier.id < OutboxRow.id,
            earlier.change.not_in((ESCALATION, GATHERED)),
            earlier.sent_s.is_(None),
            earlier.gave_up_s.is_(None),
            earlier.due_s > now_s,
        )
        .exists()
    )
    query = (
        select(OutboxRow.id, OutboxRow.change)
        .where(is_open(), OutboxRow.channel == channel, OutboxRow.due_s <= now_s)
        .where((OutboxRow.change == GATHERED) | ~waits)
        .order_by(OutboxRow.tries, OutboxRow.id)
        .limit(MOST_AT_ONCE)
    )
    return [Due(row_id, change == GATHERED) for row_id, change in session.execute(query)]


def claim(session: Session, row_id: int, now_s: int, lease_s: float) -> Claimed | None:
    """The message of a row that is due, ours until ``lease_s`` from now; None if it must not go now.

    It must not if it is finished, claimed by another, or follows one of its alert that is not finished. An
    escalation that is not needed any more, because somebody has acknowledged or the condition is over, is
    taken out of the outbox.
    """
    row = session.get(OutboxRow, row_id, with_for_update=True, populate_existing=True)
    if row is None or row.sent_s is not None or row.gave_up_s is not None or row.due_s > now_s:
        return None
    if row.change != GATHERED and _follows_an_open_one(session, row):
        return None
    if row.change == ESCALATION and row.tries == 0 and not _still_needed(session, row, now_s):
        return None
    row.tries += 1
    row.due_s = now_s + round(lease_s)
    if row.change == GATHERED:
        members = OutboxRow.id.in_(_members(row.payload))
        session.execute(update(OutboxRow).where(members).values(tries=OutboxRow.tries + 1))
    first_due_s = int(row.payload.get("first_due_s", row.made_s))
    return Claimed(row.id, _message(session, row), row.tries, first_due_s)


def gather(session: Session, row_ids: Sequence[int], now_s: int) -> int | None:
    """Put rows of one channel into one message; returns the row that stands for them, None if none is left.

    Which rows belong to it is written down, so that the message and its key are the same at every try.
    """
    query = select(OutboxRow).where(OutboxRow.id.in_(row_ids), is_open(), OutboxRow.due_s <= now_s)
    rows = list(session.scalars(query.order_by(OutboxRow.id).with_for_update()))
    rows = [
        row for row in rows if row.change != ESCALATION or row.tries > 0 or _still_needed(session, row, now_s)
    ]
    if not rows:
        return None
    if len(rows) == 1:
        return rows[0].id
    digest = hashlib.sha256("\n".join(row.key for row in rows).encode("utf-8")).hexdigest()
    stands = OutboxRow(
        key=f"{GATHERED}:{rows[0].channel}:{now_s}:{digest[:32]}",
        channel=rows[0].channel,
        alert_id=rows[0].alert_id,
        change=GATHERED,
        payload={"members": [row.id for row in rows], "first_due_s": now_s},
        made_s=now_s,
        due_s=now_s,
        tries=0,
    )
    session.add(stands)
    for row in rows:
        row.due_s = HELD_S
    session.flush()
    return stands.id


def set_sent(session: Session, row_id: int, sent_s: int) -> None:
    """Record that a receiver took a message; it is never sent again."""
    session.execute(
        update(OutboxRow)
        .where(OutboxRow.id.in_(_with_members(session, row_id)))
        .values(sent_s=sent_s, gave_up_s=None, last_error=None)
    )


def set_failed(session: Session, row_id: int, why: str, due_s: int, done: Sequence[str] = ()) -> None:
    """Record a failed try, when the next is due, and who has the message all the same."""
    row = session.get(OutboxRow, row_id, with_for_update=True, populate_existing=True)
    if row is None:
        return
    row.last_error, row.due_s = why, due_s
    if done:
        row.payload = {**row.payload, "done": sorted({*row.payload.get("done", ()), *done})}


def set_gave_up(session: Session, row_id: int, why: str, gave_up_s: int) -> None:
    """Record that a message will not be tried any more; the row stays, is shown and counted."""
    session.execute(
        update(OutboxRow)
        .where(OutboxRow.id.in_(_with_members(session, row_id)))
        .values(gave_up_s=gave_up_s, last_error=why)
    )


def _follows_an_open_one(session: Session, row: OutboxRow) -> bool:
    query = select(OutboxRow.id).where(
        is_open(),
        OutboxRow.channel == row.channel,
        OutboxRow.alert_id == row.alert_id,
        OutboxRow.id < row.id,
        OutboxRow.change.not_in((ESCALATION, GATHERED)),
    )
    return session.scalar(query.limit(1)) is not None


def _still_needed(session: Session, row: OutboxRow, now_s: int) -> bool:
    """Whether nobody has acknowledged yet; then the row tells the alert as it is now, else it is removed."""
    alert = session.get(AlertRow, row.alert_id)
    if alert is None or alert.state != "active_unacknowledged":
        session.delete(row)
        return False
    row.payload = {**row.payload, "alert": alert.document, "at_s": now_s}
    return True


def _message(session: Session, row: OutboxRow) -> Message:
    done = tuple(row.payload.get("done", ()))
    if row.change != GATHERED:
        item = item_of(row.key, row.change, row.payload)
        return Message(row.key, row.made_s, (item,), done=done)
    query = select(OutboxRow.key, OutboxRow.change, OutboxRow.payload)
    rows = session.execute(query.where(OutboxRow.id.in_(_members(row.payload))).order_by(OutboxRow.id))
    items = tuple(item_of(key, change, payload) for key, change, payload in rows)
    return Message(row.key, row.made_s, items, done=done)


def _with_members(session: Session, row_id: int) -> list[int]:
    payload = session.scalar(
        select(OutboxRow.payload).where(OutboxRow.id == row_id, OutboxRow.change == GATHERED)
    )
    return [row_id, *(_members(payload) if payload is not None else [])]


def _members(payload: dict[str, Any]) -> list[int]:
    return [int(row_id) for row_id in payload["members"]]
