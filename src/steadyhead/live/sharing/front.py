"""Both doors of a shared fleet: the one that any sender may come to, and the one inside each share.

The front door judges a batch (names, units, times), divides it by shares and puts it into the inbox. The
inner door belongs to the owner of a share: it takes rows from the inbox, decides what is late with the marks
that the share's run keeps, and makes a record of the journal of them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping, Sequence
from typing import cast

import numpy as np

from steadyhead.errors import DatabaseError, JournalError
from steadyhead.live.batch import Columns
from steadyhead.live.clock import Clock
from steadyhead.live.doors import Door
from steadyhead.live.intake import Intake, Part
from steadyhead.live.kinds import JournalLike
from steadyhead.live.quarantine import REFUSED, Quarantine
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.live.sharing import tallies
from steadyhead.live.sharing.inbox import Inbox, Waiting
from steadyhead.live.sharing.journal import TAKEN, ShareJournal
from steadyhead.live.sharing.layout import Plan
from steadyhead.live.tallies import Entry
from steadyhead.live.watermarks import stations_of
from steadyhead.store.database import Database


class FrontDoor(Intake):
    """Takes readings of all stations. ``accepted`` means safe in the database; none is called late here.

    database : fenced for a feed that only one process may run
    """

    def __init__(
        self, doors: Mapping[str, Door], plan: Plan, inbox: Inbox, database: Database, quarantine: Quarantine,
        clock: Clock, future_s: int,
    ) -> None:  # fmt: skip
        no_journal = cast("JournalLike", None)  # what would use it is done otherwise here
        super().__init__(doors, no_journal, quarantine, clock, future_s)
        self._share_of = np.array([plan.share_of[name] for name in doors], dtype=np.int64)
        self._inbox, self._database = inbox, database

    def commit(self, parts: Sequence[Part]) -> list[tuple[int, int]]:
        """See ``Intake.commit``; returns (accepted, 0) of each.

        Raises JournalError if the database is away, full, or by now another process runs the feed.
        """
        wall_s = self._clock.wall_s()
        with self._noting_errors():
            self._quarantine.keep(REFUSED, wall_s, [item for part in parts for item in part.kept])
            try:
                with self._database.session() as session:
                    self._inbox.refuse_if_full(session)
                    for part in parts:
                        for share, reports in self._divided(part.columns):
                            self._inbox.put(session, share, part.source, part.kind, reports)
                        entry = Entry(part.source, part.kind, 0, 0, part.refusals, part.position, int(wall_s))
                        tallies.note(session, tallies.DOOR, entry)
            except DatabaseError as exc:
                raise JournalError(f"readings cannot be accepted now: {exc}") from exc
        self.on_commit()
        return [(int((~np.isnan(part.columns.values)).sum()), 0) for part in parts]

    def mark(self) -> None:
        """Nothing: time is judged by the owners of the shares."""

    def note_profile(self, station: str, version: str) -> None:
        """Nothing: the owner finds a new profile in the folder."""

    def _divided(self, columns: Columns) -> list[tuple[int, Reports]]:
        share = self._share_of[columns.which]
        return [(int(one), _reports(columns, share == one, self._names)) for one in np.unique(share)]


class InnerDoor(Intake):
    """Takes what the inbox holds for a share into its journal; the stations are those of the share."""

    def __init__(
        self, doors: Mapping[str, Door], journal: ShareJournal, quarantine: Quarantine, clock: Clock,
        inbox: Inbox, share: int,
    ) -> None:  # fmt: skip
        super().__init__(doors, journal, quarantine, clock)
        self._own, self._inbox, self._share = journal, inbox, share
        self._places = {name: n for n, name in enumerate(doors)}
        self._one_at_a_time = threading.RLock()
        self._committed: deque[int] = deque()

    def take_in(self) -> bool:
        """Take the oldest that waits; whether there was anything. Raises JournalError."""
        with self._one_at_a_time:
            if self._marks is None:
                return False
            try:
                rows = self._inbox.waiting(self._share)
            except DatabaseError as exc:
                raise JournalError(str(exc)) from exc
            if rows:
                self.commit([self._part(row) for row in rows])
            return bool(rows)

    def commit(self, parts: Sequence[Part]) -> list[tuple[int, int]]:
        """See ``Intake.commit``."""
        with self._one_at_a_time:
            self._settle()
            answer = super().commit(parts)
            self._committed.append(self._journal.last_no)
            return answer

    def mark(self) -> None:
        """See ``Intake.mark``. What waits is taken first, so that time is never judged ahead of it."""
        while self.take_in():
            pass
        with self._one_at_a_time:
            self._settle()
            super().mark()

    def note_profile(self, station: str, version: str) -> None:
        """See ``Intake.note_profile``."""
        with self._one_at_a_time:
            self._settle()
            super().note_profile(station, version)

    def n_behind(self, done_no: int) -> int:
        """Records of readings that wait to be judged."""
        with self._one_at_a_time:
            while self._committed and self._committed[0] <= done_no:
                self._committed.popleft()
            return len(self._committed)

    def _settle(self) -> None:
        """If the database went away in the middle of a write, see whether it is there, and count it in."""
        if self._marks is None or not self._own.is_unsure:
            return
        for record in self._own.look_again():
            if record.kind == "readings":
                reports = from_bytes(record.body)
                self._marks.take(stations_of(reports, self._places), reports.us, record.moment)
            elif record.kind == "mark":
                self._marks.bring_on(record.moment.listened_s)

    def _part(self, row: Waiting) -> Part:
        r = row.reports
        which = stations_of(r, self._places)
        keep = which >= 0
        columns = Columns(
            which[keep], r.role[keep].astype(np.int64), r.us[keep], r.values[keep], r.flags[keep]
        )
        return Part(row.source, row.kind, columns, position={TAKEN: [row.id]})


def _reports(columns: Columns, keep: np.ndarray, names: np.ndarray) -> Reports:
    touched, place = np.unique(columns.which[keep], return_inverse=True)
    return Reports(
        names=tuple(names[touched]),
        which=place.astype(np.uint32),
        role=columns.role[keep].astype(np.uint8),
        us=columns.us[keep],
        values=columns.values[keep],
        flags=columns.flags[keep],
    )
