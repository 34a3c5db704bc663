"""The journal of a share, in the database, so that whoever takes the share over finds it.

As ``live.journal``, with three differences: every write is fenced; records are numbered over all shares, so
that a station may go to another share and its checkpoint still says which records it holds; and listening
time goes on from the latest of all shares, since readings are accepted while a share is without an owner.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from steadyhead.errors import DatabaseError, JournalError
from steadyhead.live.clock import Moment
from steadyhead.live.journal import Kind, Record
from steadyhead.live.sharing import tallies
from steadyhead.live.sharing.fence import FencedDatabase
from steadyhead.live.tallies import Entry, RefusalCount, SourceCount
from steadyhead.store.tables import ShareInboxRow, ShareRecordRow

AGAIN = "again"
"""Kind of readings that are filed once more, for another share."""
TAKEN = "taken"
"""Key of a position that says which rows of the inbox a record was made of."""
_AT_A_TIME = 200


class ShareJournal:
    """See ``live.journal.Journal``; all methods raise JournalError while the database is away.

    folder : the process's own, whose disk is watched
    is_unsure : the last record may or may not be there, because the database went away while it was written
    """

    def __init__(self, database: FencedDatabase, share: int, folder: Path) -> None:
        self._database, self._share, self._folder = database, share, folder
        self._counts = tallies.FleetCounts(database)
        self.is_unsure = False
        with self._reading() as session:
            own = select(func.max(ShareRecordRow.no)).where(ShareRecordRow.share == share)
            self._last_no = int(session.scalar(own) or 0)
            self._listened_s = float(session.scalar(select(func.max(ShareRecordRow.listened_s))) or 0.0)

    # ------------------------------------------------------------ writing

    def append(
        self, kind: Kind, moment: Moment, body: bytes = b"", n_items: int = 0, entries: Sequence[Entry] = ()
    ) -> int:
        """Commit a record; what it was made of leaves the inbox in the same transaction."""
        self.is_unsure = True
        with self._writing() as session:
            self._note(session, entries)
            made = insert(ShareRecordRow).values(
                share=self._share, kind=kind, listened_s=moment.listened_s, latest_s=moment.latest_s,
                earliest_s=moment.earliest_s, n_items=n_items, body=body,
            )  # fmt: skip
            no = int(session.scalar(made.returning(ShareRecordRow.no)) or 0)
        self._last_no, self._listened_s = no, moment.listened_s
        self.is_unsure = False
        return no

    def look_again(self) -> list[Record]:
        """Records that were committed although their writer was told of a failure; they count from now on."""
        found = self.read(self._last_no)
        if found:
            self._last_no, self._listened_s = found[-1].no, found[-1].moment.listened_s
        self.is_unsure = False
        return found

    def note(self, entries: Sequence[Entry]) -> None:
        """Commit counts alone, of what was all late or refused."""
        with self._writing() as session:
            self._note(session, entries)

    def prune(self, through_no: int) -> int:
        """Delete records that checkpoints and archive have outlived, but the last; returns how many."""
        own = ShareRecordRow.share == self._share
        until_no = min(through_no, self._last_no - 1)
        with self._writing() as session:
            found = session.execute(delete(ShareRecordRow).where(own, ShareRecordRow.no <= until_no))
            return int(found.rowcount)  # type: ignore[attr-defined]

    def close(self) -> None:
        """Nothing to let go of."""

    def _note(self, session: Session, entries: Sequence[Entry]) -> None:
        taken: list[int] = []
        for entry in entries:
            if entry.position is not None and TAKEN in entry.position:
                taken += entry.position[TAKEN]
                entry = replace(entry, position=None)
            if entry.kind != AGAIN:  # those were counted when they came
                tallies.note(session, self._share, entry)
        if not taken:
            return
        found = session.execute(delete(ShareInboxRow).where(ShareInboxRow.id.in_(taken)))
        if found.rowcount != len(taken):  # type: ignore[attr-defined]
            raise JournalError(
                f"share {self._share}: readings that waited were taken by somebody else; look whether two "
                "programs of different versions work on this database"
            )

    # ------------------------------------------------------------ reading

    @property
    def last_no(self) -> int:
        """Number of the last record of this share; 0 for none."""
        return self._last_no

    @property
    def listened_s(self) -> float:
        """Listening time of the last record; at first the latest of all shares."""
        return self._listened_s

    def read(self, after_no: int, most_items: int = 200_000) -> list[Record]:
        """Records after ``after_no`` in order, until ``most_items`` readings are passed."""
        records: list[Record] = []
        n = 0
        with self._reading() as session:
            if not self._owns(session):
                raise JournalError(f"share {self._share}: another process judges it by now")
            while n < most_items:
                t = ShareRecordRow
                asked = (
                    select(t.no, t.kind, t.listened_s, t.latest_s, t.earliest_s, t.n_items, t.body)
                    .where(t.share == self._share, t.no > (records[-1].no if records else after_no))
                    .order_by(t.no)
                    .limit(_AT_A_TIME)
                )
                rows = session.execute(asked).all()
                for no, kind, listened_s, latest_s, earliest_s, n_items, body in rows:
                    moment = Moment(listened_s, latest_s, earliest_s)
                    records.append(Record(no, cast("Kind", kind), moment, n_items, bytes(body)))
                    n += n_items
                    if n >= most_items:
                        break
                if len(rows) < _AT_A_TIME:
                    break
        return records

    def items_after(self, no: int) -> tuple[int, float]:
        """Readings in records after ``no``, and the listening time of the first of these records."""
        t = ShareRecordRow
        with self._reading() as session:
            asked = select(func.coalesce(func.sum(t.n_items), 0), func.min(t.listened_s))
            n, first = session.execute(asked.where(t.share == self._share, t.no > no)).one()
        return int(n), float(first) if first is not None else self._listened_s

    def n_after(self, no: int) -> int:
        """Records after ``no``; numbers are shared, so their difference does not say."""
        t = ShareRecordRow
        with self._reading() as session:
            asked = select(func.count()).select_from(t).where(t.share == self._share, t.no > no)
            return int(session.scalar(asked) or 0)

    def positions(self) -> dict[str, dict[str, Any]]:
        """How far each watched source of the fleet has been read."""
        return self._counts.positions()

    def source_counts(self) -> list[SourceCount]:
        """None: the fleet counts them together."""
        return []

    def refusal_counts(self) -> list[RefusalCount]:
        """None: the fleet counts them together."""
        return []

    def used_bytes(self) -> int:
        """Bytes of this share's records."""
        t = ShareRecordRow
        with self._reading() as session:
            asked = select(func.coalesce(func.sum(func.octet_length(t.body)), 0)).where(
                t.share == self._share
            )
            return int(session.scalar(asked) or 0)

    def free_bytes(self) -> int:
        """Room left on the disk of the data folder."""
        return shutil.disk_usage(self._folder).free

    # ------------------------------------------------------------ inner

    def _owns(self, session: Session) -> bool:
        return self._database.fence.is_held(session)

    @contextmanager
    def _writing(self) -> Iterator[Session]:
        try:
            with self._database.session() as session:
                yield session
        except DatabaseError as exc:
            raise JournalError(str(exc)) from exc

    @contextmanager
    def _reading(self) -> Iterator[Session]:
        try:
            with self._database.reading() as session:
                yield session
        except DatabaseError as exc:
            raise JournalError(str(exc)) from exc
