"""What a process of a shared fleet does now and then, whatever it holds, and what it does for all."""

from __future__ import annotations

import threading
from collections.abc import Callable

from sqlalchemy import select

from steadyhead.desk.desk import Desk
from steadyhead.desk.news import Event, News
from steadyhead.errors import DatabaseError, JournalError
from steadyhead.live.feed_rows import FeedRows
from steadyhead.live.housekeeping import TABLES_S, TICK_S, Job, do
from steadyhead.live.sharing.holdings import Holdings
from steadyhead.live.sharing.inbox import Inbox
from steadyhead.live.sharing.tasks import HOUSE
from steadyhead.store.database import Database
from steadyhead.store.tables import AlertRow, CounterRow

INBOX_S = 0.25  # how often the inbox is looked at; a push to this process wakes it at once
NEWS_S = 1.0
SHOW_S = 5.0
MOST_NEWS = 200  # changes told one by one; beyond it pages read everything anew


class NewsRelay:
    """Tells the open pages of this process what any process has changed."""

    def __init__(self, database: Database, news: News) -> None:
        self._database, self._news = database, news
        self._told_no: int | None = None

    def look(self) -> None:
        """Tell what has changed since the last look. Raises DatabaseError."""
        with self._database.reading() as session:
            last_no = session.scalar(select(CounterRow.value).where(CounterRow.name == "change")) or 0
            if self._told_no is None or last_no <= self._told_no:
                self._told_no = last_no
                return
            asked = select(AlertRow.alert_id, AlertRow.change_no).where(AlertRow.change_no > self._told_no)
            found = session.execute(asked.order_by(AlertRow.change_no).limit(MOST_NEWS + 1)).all()
        self._told_no = last_no
        if len(found) > MOST_NEWS:
            self._news.publish(Event("reload"))
            return
        for alert_id, change_no in found:
            self._news.publish(Event("alert", alert_id, change_no))


class Rounds:
    """Two threads: one takes readings from the inbox, the other does the rest."""

    def __init__(
        self, holdings: Holdings, inbox: Inbox, relay: NewsRelay, feed_rows: FeedRows, desk: Desk,
        wall_s: Callable[[], float],
    ) -> None:  # fmt: skip
        self._holdings, self._inbox, self._desk, self._wall_s = holdings, inbox, desk, wall_s
        self._jobs = [
            Job(NEWS_S, relay.look),
            Job(TABLES_S, feed_rows.write),
            Job(SHOW_S, self._show),
            Job(TICK_S, self._tick),
        ]
        self.wake = threading.Event()
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []

    def start(self) -> None:
        """Begin; returns at once."""
        self._threads = [
            threading.Thread(target=self._take_in, name="inbox", daemon=True),
            threading.Thread(target=self._keep_house, name="rounds", daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End."""
        self._stop.set()
        self.wake.set()
        for thread in self._threads:
            thread.join()
        self._threads = []

    def _take_in(self) -> None:
        said = ""
        while not self._stop.is_set():
            self.wake.clear()
            said = do(self._take_what_waits, said)
            self.wake.wait(INBOX_S)

    def _take_what_waits(self) -> None:
        shares = self._holdings.shares()
        if not shares:
            return
        said: JournalError | DatabaseError | None = None
        for number in self._inbox.shares_with_readings(shares):
            try:
                shares[number].take_in()
            except (JournalError, DatabaseError) as exc:  # the others may be in order
                said = exc
        if said is not None:
            raise said

    def _keep_house(self) -> None:
        while not self._stop.wait(0.2):
            for job in self._jobs:
                if not self._stop.is_set():
                    job.do_if_due()

    def _show(self) -> None:
        for share in self._holdings.shares().values():
            share.show()

    def _tick(self) -> None:
        if self._holdings.keeper.thing(HOUSE) is not None:
            self._desk.tick(self._wall_s())
