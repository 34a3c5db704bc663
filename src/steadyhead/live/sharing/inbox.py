"""The inbox: readings that any process has accepted, safe in the database until the share's owner takes them.

A batch is divided by shares and put in as one transaction, so it is accepted whole or not at all, whoever
owns the shares and even if nobody does at the moment. A row leaves the inbox in the transaction that makes it
a record of the share's journal.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from sqlalchemy import func, insert, select
from sqlalchemy.orm import Session

from steadyhead.errors import JournalError
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.store.database import Database
from steadyhead.store.tables import ShareInboxRow, ShareRecordRow

MB = 1 << 20
MEASURED_S = 5.0  # how much waits is looked up so seldom
MOST_ITEMS = 100_000  # readings taken at once


@dataclass(frozen=True, slots=True)
class Waiting:
    """One row: readings of one share that came together."""

    id: int
    source: str
    kind: str
    reports: Reports


class Inbox:
    """The inboxes of all shares. Threads may share it.

    max_mb : readings that wait or are not judged yet, at which no more are accepted
    """

    def __init__(self, database: Database, max_mb: float) -> None:
        self._database, self._max_mb = database, max_mb
        self._measured_at = float("-inf")
        self._waiting_mb = 0.0
        self.n_rows = 0

    def put(self, session: Session, share: int, source: str, kind: str, reports: Reports) -> None:
        """Add readings of one share, inside the caller's transaction."""
        session.execute(
            insert(ShareInboxRow).values(
                share=share, source=source, kind=kind, at_s=int(time.time()), n_items=len(reports),
                body=reports.to_bytes(),
            )
        )  # fmt: skip

    def refuse_if_full(self, session: Session) -> None:
        """Raises JournalError where too much waits already."""
        self.measure(session)
        if self._waiting_mb > self._max_mb:
            raise JournalError(
                f"{self._waiting_mb:.0f} MB of readings wait to be judged, the most that journal_max_mb "
                "allows; see on the page of feeds whether every share has an owner and what it waits for"
            )

    def measure(self, session: Session) -> None:
        """Look up how much waits, unless that was done a moment ago."""
        if time.monotonic() - self._measured_at < MEASURED_S:
            return
        n_bytes = 0
        for t in (ShareInboxRow, ShareRecordRow):
            n, size = session.execute(
                select(func.count(), func.coalesce(func.sum(func.octet_length(t.body)), 0)).select_from(t)
            ).one()
            n_bytes += int(size)
            if t is ShareInboxRow:
                self.n_rows = int(n)
        self._waiting_mb, self._measured_at = n_bytes / MB, time.monotonic()

    def shares_with_readings(self, of: Collection[int]) -> set[int]:
        """Those of the shares for which something waits. Raises DatabaseError."""
        with self._database.reading() as session:
            asked = select(ShareInboxRow.share).where(ShareInboxRow.share.in_(of)).distinct()
            return set(session.scalars(asked))

    def waiting(self, share: int) -> Sequence[Waiting]:
        """The oldest rows of a share, ``MOST_ITEMS`` readings or little more. Raises DatabaseError."""
        found: list[Waiting] = []
        n = 0
        t = ShareInboxRow
        with self._database.reading() as session:
            asked = select(t.id, t.n_items).where(t.share == share).order_by(t.id).limit(1000)
            ids = []
            for row_id, n_items in session.execute(asked):
                ids.append(row_id)
                n += n_items
                if n >= MOST_ITEMS:
                    break
            rows = session.execute(
                select(t.id, t.source, t.kind, t.body).where(t.id.in_(ids)).order_by(t.id)
            ).all()
        for row_id, source, kind, body in rows:
            found.append(Waiting(row_id, source, kind, from_bytes(bytes(body))))
        return found
