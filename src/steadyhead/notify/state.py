"""How notifications are doing, for pages, metrics and the command line."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from steadyhead.notify import outbox
from steadyhead.store.tables import OutboxRow

_DAY_S = 86_400


@dataclass(frozen=True, slots=True)
class ChannelState:
    """Messages of one channel; a message that stands for several counts as these.

    sent : in the last 24 hours; last_sent_s : the latest of them
    waiting : not sent yet; of these, failing : tried at least once; planned : not due yet (quiet hours,
        and escalations that may not be needed)
    gave_up : not tried any more, ever
    oldest_due_s : epoch seconds, or None
    last_error : of the latest message that failed and is not sent, or None
    """

    channel: str
    sent: int = 0
    waiting: int = 0
    failing: int = 0
    planned: int = 0
    gave_up: int = 0
    oldest_due_s: int | None = None
    last_sent_s: int | None = None
    last_error: str | None = None


@dataclass(frozen=True, slots=True)
class Undelivered:
    """A message that was given up: what it would have told, and why it could not."""

    row_id: int
    channel: str
    alert_id: str
    station: str
    change: str
    made_s: int
    gave_up_s: int
    tries: int
    why: str


def channel_states(session: Session, now_s: int, channels: tuple[str, ...] = ()) -> list[ChannelState]:
    """One line per channel that is named or has messages, by name.

    Quick enough to be asked for every few seconds: messages sent long ago are many, and are not looked at.
    """
    row = OutboxRow
    told = row.change != outbox.GATHERED
    waiting = outbox.is_open()
    unsent = select(
        row.channel,
        func.count().filter(told, waiting),
        func.count().filter(told, waiting, row.tries > 0),
        func.count().filter(told, waiting, row.due_s > now_s, row.due_s < outbox.HELD_S, row.tries == 0),
        func.count().filter(told, row.gave_up_s.is_not(None)),
        func.min(row.due_s).filter(waiting, row.due_s <= now_s),
    )
    unsent = unsent.where(row.sent_s.is_(None)).group_by(row.channel)
    sent = select(row.channel, func.count().filter(told), func.max(row.sent_s))
    sent = sent.where(row.sent_s > now_s - _DAY_S).group_by(row.channel)
    waits = {line[0]: line[1:] for line in session.execute(unsent)}
    went = {line[0]: line[1:] for line in session.execute(sent)}
    states = []
    for channel in sorted({*channels, *waits, *went}):
        open_, failing, planned, gave_up, oldest_s = waits.get(channel, (0, 0, 0, 0, None))
        n_sent, last_s = went.get(channel, (0, None))
        error = _last_error(session, channel)
        states.append(
            ChannelState(channel, n_sent, open_, failing, planned, gave_up, oldest_s, last_s, error)
        )
    return states


def undelivered(session: Session, limit: int = 100) -> list[Undelivered]:
    """Messages that were given up, latest first."""
    query = (
        select(OutboxRow)
        .where(OutboxRow.gave_up_s.is_not(None), OutboxRow.change != outbox.GATHERED)
        .order_by(OutboxRow.gave_up_s.desc(), OutboxRow.id.desc())
        .limit(limit)
    )
    return [
        Undelivered(
            row_id=row.id,
            channel=row.channel,
            alert_id=row.alert_id,
            station=str(row.payload["alert"]["station"]),
            change=row.change,
            made_s=row.made_s,
            gave_up_s=row.gave_up_s or 0,
            tries=row.tries,
            why=row.last_error or "",
        )
        for row in session.scalars(query)
    ]


def _last_error(session: Session, channel: str) -> str | None:
    query = (
        select(OutboxRow.last_error)
        .where(OutboxRow.channel == channel, OutboxRow.last_error.is_not(None), OutboxRow.sent_s.is_(None))
        .order_by(OutboxRow.id.desc())
        .limit(1)
    )
    return session.scalar(query)
