"""Making safe what was judged, without holding up who judges.

The stations are made safe in parts, one after another. Who judges takes a snapshot of a part, which is soon
done, and goes on; another thread then has the archive written, the checkpoints saved and the journal pruned.
The order is what no kill may break: rows are in the archive before a checkpoint says that they were judged,
and records stay in the journal until every part was made safe after them. A checkpoint is right by itself,
since on a restart each station leaves out the records that it holds already; so parts, and the transactions
of a part, need not be of one moment.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

from steadyhead.archive.archive import Archive
from steadyhead.errors import ArchiveError, DatabaseError, JournalError
from steadyhead.live import checkpoint
from steadyhead.live.checkpoint import Snapshot
from steadyhead.live.course import Course
from steadyhead.live.health import Health
from steadyhead.live.kinds import JournalLike
from steadyhead.live.order import Order
from steadyhead.store.database import Database

log = logging.getLogger(__name__)

PART = 5000  # stations: a snapshot of them takes a tenth of a second and 55 MB
PAUSE_S = 0.1  # between transactions, so that others who write to the database come to it


@dataclass(slots=True)
class _Work:
    """One part on its way. chunks : of snapshots that are not written yet; error : why it ended early."""

    part: int
    done_no: int
    judged_rows: int
    courses: list[Course]
    chunks: deque[list[Snapshot]]
    is_archived: bool = False
    error: Exception | None = None


class Saver:
    """The thread that judges calls it; nobody else does while that lives.

    archived_rows : how many of the rows judged so far are safe in the archive
    n_parts : parts of the stations, each to be made safe in its turn
    """

    def __init__(
        self, order: Order, journal: JournalLike, database: Database, archive: Archive, health: Health
    ) -> None:
        self._order, self._journal, self._database = order, journal, database
        self._archive, self._health = archive, health
        self._parts = _parts(order)
        self._safe_no = [0] * len(self._parts)  # last record that every station of a part holds
        self._next = 0
        self._work: _Work | None = None
        self._thread: threading.Thread | None = None
        self._hurry = threading.Event()
        self.archived_rows = 0
        self.n_parts = len(self._parts)

    @property
    def is_busy(self) -> bool:
        """Whether a part is being made safe, or was and ``ended`` has not been asked."""
        return self._work is not None

    def begin(self, done_no: int, judged_rows: int) -> None:
        """Take a snapshot of the next part as it stands after record ``done_no``; have it made safe.

        Not while ``is_busy``.
        """
        self._work = self._snapshot(self._next, done_no, judged_rows)
        self._thread = threading.Thread(target=self._do, args=(self._work,), name="saver", daemon=True)
        self._thread.start()

    def ended(self) -> bool | None:
        """Whether the part that was begun is safe; None while that goes on, and if nothing was begun.

        One that failed is tried again by the next ``begin``. Raises JournalError if only the journal could
        not be pruned.
        """
        if self._thread is None or self._thread.is_alive():
            return None
        work, self._work, self._thread = self._work, None, None
        return None if work is None else self._is_safe(work)

    def wait(self) -> bool | None:
        """As ``ended``, once the part that was begun is done with."""
        self.join()
        return self.ended()

    def join(self) -> None:
        """Wait for the part that was begun, and take no note of what came of it."""
        if self._thread is not None:
            self._hurry.set()
            self._thread.join()
            self._hurry.clear()

    def save_all(self, done_no: int, judged_rows: int) -> bool:
        """Make all stations safe before this returns; whether that succeeded. Raises JournalError."""
        self.wait()
        for part in range(self.n_parts):  # one at a time: snapshots of all would take much memory
            work = self._snapshot(part, done_no, judged_rows)
            self._hurry.set()
            self._do(work)
            self._hurry.clear()
            if not self._is_safe(work):
                return False
        return True

    # ------------------------------------------------------------ inner

    def _snapshot(self, part: int, done_no: int, judged_rows: int) -> _Work:
        table = self._order.marks.table
        changed = [(n, course) for n in self._parts[part] if (course := self._order.courses[n]).is_changed]
        snapshots = [checkpoint.snapshot(course, table[n]) for n, course in changed]
        for _, course in changed:
            course.is_changed = False
        chunks = checkpoint.in_chunks(snapshots, _zone_of, checkpoint.AT_A_TIME)
        return _Work(part, done_no, judged_rows, [course for _, course in changed], deque(chunks))

    def _do(self, work: _Work) -> None:
        """In a thread of its own: touches nothing that the judging thread carries on."""
        try:
            self._archive.flush()
            work.is_archived = True
            while work.chunks:
                checkpoint.write(self._database, work.chunks[0], work.done_no)
                work.chunks.popleft()
                if work.chunks:
                    self._hurry.wait(PAUSE_S)
            others = [no for part, no in enumerate(self._safe_no) if part != work.part]
            self._journal.prune(min([work.done_no, *others]))
        except Exception as exc:  # said by the judging thread
            work.error = exc

    def _is_safe(self, work: _Work) -> bool:
        """Take note of what came of it."""
        health = self._health
        if work.is_archived:
            health.archive = None
            self.archived_rows = max(self.archived_rows, work.judged_rows)
        if work.error is None or isinstance(work.error, JournalError):
            health.checkpoint = None
            for course in work.courses:
                course.journal_no = work.done_no
            self._safe_no[work.part] = work.done_no
            self._next = (work.part + 1) % self.n_parts
        else:
            for course in work.courses:  # also what was written: once more does no harm
                course.is_changed = True
        if work.error is None:
            return True
        log.warning("not all could be made safe, which is tried again: %s", work.error)
        if isinstance(work.error, ArchiveError):
            health.archive = str(work.error)
        elif isinstance(work.error, DatabaseError):
            health.checkpoint = str(work.error)
        else:
            raise work.error
        return False


def _zone_of(one: Snapshot) -> str | None:
    return one.course.station.zone


def _parts(order: Order) -> Sequence[list[int]]:
    """Indices of stations in parts of about the same size, the members of each zone together."""
    zones = [course.station.zone for course in order.courses]
    by_zone = sorted(range(len(zones)), key=lambda n: zones[n] or "")
    n_parts = max(1, -(-len(zones) // PART))
    return list(checkpoint.in_chunks(by_zone, zones.__getitem__, -(-len(zones) // n_parts))) or [[]]
