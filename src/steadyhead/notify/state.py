"""How notifications are doing, for pages, metrics and the command line."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from steadyhead.notify import outbox
from steadyhead.store.tables import AuditRow, OutboxRow

_DAY_S = 86_400
SEEN = "given_up_seen"
"""Word of the audit, where somebody has looked at the messages that were given up."""
_SUBJECT = ("notifications", "given_up")


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


@dataclass(frozen=True, slots=True)
class Looked:
    """Who looked last at the messages that were given up, and when; those up to ``through_s`` are done."""

    who: str
    at_s: int
    through_s: int


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


def last_look(session: Session) -> Looked | None:
    """The last time that somebody said they have seen to what was given up; None if nobody has yet."""
    query = (
        select(AuditRow)
        .where(AuditRow.subject_kind == _SUBJECT[0], AuditRow.subject == _SUBJECT[1], AuditRow.what == SEEN)
        .order_by(AuditRow.id.desc())
        .limit(1)
    )
    row = session.scalars(query).first()
    return None if row is None else Looked(row.who, row.at_s, int(row.details["through_s"]))


def unseen(session: Session) -> int:
    """Messages that were given up since somebody has looked at them last."""
    looked = last_look(session)
    return _given_up_after(session, -1 if looked is None else looked.through_s)


def set_seen(session: Session, who: str, now_s: int) -> int:
    """Write down that somebody has seen to what was given up; how many messages that were.

    One that is given up in this very second may not have been on the page, so it stays unseen.
    """
    looked = last_look(session)
    after_s = -1 if looked is None else looked.through_s
    through_s = max(now_s - 1, after_s)
    n = _given_up_after(session, after_s) - _given_up_after(session, through_s)
    session.add(
        AuditRow(
            at_s=now_s, who=who, what=SEEN, subject_kind=_SUBJECT[0], subject=_SUBJECT[1], why="",
            details={"through_s": through_s, "n": n},
        )
    )  # fmt: skip
    return n


def _given_up_after(session: Session, after_s: int) -> int:
    query = select(func.count()).where(
        OutboxRow.sent_s.is_(None), OutboxRow.gave_up_s > after_s, OutboxRow.change != outbox.GATHERED
    )
    return session.scalar(query) or 0


def _last_error(session: Session, channel: str) -> str | None:
    query = (
        select(OutboxRow.last_error)
        .where(OutboxRow.channel == channel, OutboxRow.last_error.is_not(None), OutboxRow.sent_s.is_(None))
        .order_by(OutboxRow.id.desc())
        .limit(1)
    )
    return session.scalar(query)
