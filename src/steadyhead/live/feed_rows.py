"""Brings the counts of the journal, and how each watched source is doing, to the tables that pages read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.desk.news import Event, News
from steadyhead.live.kinds import Counted
from steadyhead.live.tallies import RefusalCount, SourceCount
from steadyhead.store.database import Database
from steadyhead.store.tables import FeedRow, RefusedRow

QUIET_S = 3600  # a sender of pushes that has sent nothing for so long is called quiet


@dataclass(frozen=True, slots=True)
class FeedState:
    """How a source is doing.

    state : "ok", "quiet", "error" or "waiting"; error : what was met, in words, or None
    """

    kind: str
    state: str
    error: str | None = None


class FeedRows:
    """Writes rows that have changed since it last wrote them. One thread calls it.

    watched : states of watched sources by name, asked for at each call; clock : epoch seconds
    """

    def __init__(
        self, journal: Counted, database: Database, news: News, clock: Callable[[], float],
        watched: Callable[[], dict[str, FeedState]],
    ) -> None:  # fmt: skip
        self._journal, self._database, self._news, self._clock = journal, database, news, clock
        self._watched = watched
        self._written: dict[str, tuple[SourceCount, FeedState]] = {}
        self._refused: dict[tuple[str, ...], int] = {}

    def write(self) -> None:
        """Bring the tables up to date. Raises DatabaseError or JournalError; try again later then."""
        now_s = int(self._clock())
        counts = {count.source: count for count in self._journal.source_counts()}
        watched = self._watched()
        for source, state in watched.items():
            counts.setdefault(source, SourceCount(source, state.kind, 0, 0, 0, 0))
        changed = {}
        for source, count in counts.items():
            state = watched.get(source) or _pushed(count, now_s)
            if self._written.get(source) != (count, state):
                changed[source] = (count, state)
        if not changed:
            return
        positions = self._journal.positions()
        refusals = [r for r in self._journal.refusal_counts() if self._refused.get(_key(r)) != r.n]
        with self._database.session() as session:
            for source, (count, state) in changed.items():
                _write_feed(session, count, state, positions.get(source, {}))
            for refusal in refusals:
                _write_refusal(session, refusal)
        self._refused.update({_key(refusal): refusal.n for refusal in refusals})
        for source, (count, state) in changed.items():
            was = self._written.get(source)
            self._written[source] = (count, state)
            if was is None or was[1] != state:
                self._news.publish(Event("feed", source))


def _key(refusal: RefusalCount) -> tuple[str, ...]:
    return refusal.source, refusal.station, refusal.tag, refusal.reason


def _pushed(count: SourceCount, now_s: int) -> FeedState:
    return FeedState(count.kind, "quiet" if now_s - count.last_s > QUIET_S else "ok")


def _write_feed(session: Session, count: SourceCount, state: FeedState, position: dict[str, Any]) -> None:
    row = session.get(FeedRow, count.source)
    if row is None:
        row = FeedRow(source=count.source)
        session.add(row)
    row.kind, row.state, row.last_error = state.kind, state.state, state.error
    row.accepted, row.late, row.refused = count.accepted, count.late, count.refused
    row.last_ok_s = count.last_s or None
    row.position = position


def _write_refusal(session: Session, count: RefusalCount) -> None:
    station, tag = count.station or None, count.tag or None
    row = session.scalars(
        select(RefusedRow)
        .where(RefusedRow.source == count.source, RefusedRow.reason == count.reason)
        .where(RefusedRow.station == station if station else RefusedRow.station.is_(None))
        .where(RefusedRow.tag == tag if tag else RefusedRow.tag.is_(None))
    ).first()
    if row is None:
        row = RefusedRow(source=count.source, station=station, tag=tag, reason=count.reason)
        session.add(row)
    row.n, row.first_s, row.last_s, row.example = count.n, count.first_s, count.last_s, count.example
