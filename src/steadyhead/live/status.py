"""What the run says of itself, asked for often and measured seldom."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

from steadyhead.errors import JournalError
from steadyhead.live.clock import Clock
from steadyhead.live.intake import Intake
from steadyhead.live.kinds import JournalLike
from steadyhead.live.loop import Loop
from steadyhead.live.views import RunnerState, RunnerStatus
from steadyhead.live.watermarks import NEVER

FRESH_S = 1.0  # measurements of the journal are good for so long


@dataclass(frozen=True, slots=True)
class _Measured:
    backlog_items: int = 0
    backlog_s: float = 0.0
    journal_bytes: int = 0
    disk_free_bytes: int = 0
    accepted: int = 0
    late: int = 0
    refused: int = 0


class StatusBoard:
    """Puts a ``RunnerStatus`` together; threads may share it."""

    def __init__(self, journal: JournalLike, intake: Intake, clock: Clock, loop: Loop) -> None:
        self._journal, self._intake, self._clock, self._loop = journal, intake, clock, loop
        self._unreadable: str | None = None
        self._lock = threading.Lock()
        self._measured = _Measured()
        self._measured_at = float("-inf")

    def status(self, state: RunnerState) -> RunnerStatus:
        """How the run is doing."""
        with self._lock:
            if time.monotonic() - self._measured_at > FRESH_S:
                self._measure()
            m = self._measured
        health = self._loop.health
        newest_s = int(self._loop.order.marks.table["newest_s"].max())
        return RunnerStatus(
            state=state,
            words=self._words(state, m),
            journal_no=self._journal.last_no,
            done_no=self._loop.done_no,
            backlog_items=m.backlog_items,
            backlog_s=m.backlog_s,
            journal_bytes=m.journal_bytes,
            disk_free_bytes=m.disk_free_bytes,
            last_data_s=None if newest_s == NEVER else newest_s,
            database_ok=(health.database or health.checkpoint) is None,
            database_words=health.database or health.checkpoint,
            archive_ok=health.archive is None,
            archive_words=health.archive,
            journal_ok=self._journal_words is None,
            journal_words=self._journal_words,
            accepted=m.accepted,
            late=m.late,
            refused=m.refused,
            judged_rows=self._loop.judged_rows,
            clock_off_s=self._clock.off_s(),
        )

    def _measure(self) -> None:
        self._measured_at = time.monotonic()
        try:
            items, since_s = self._journal.items_after(self._loop.done_no)
            counts = self._journal.source_counts()
            self._measured = _Measured(
                backlog_items=items,
                backlog_s=max(0.0, self._journal.listened_s - since_s),
                journal_bytes=self._journal.used_bytes(),
                disk_free_bytes=self._journal.free_bytes(),
                accepted=sum(count.accepted for count in counts),
                late=sum(count.late for count in counts),
                refused=sum(count.refused for count in counts),
            )
            self._unreadable = None
        except JournalError as exc:
            self._unreadable = str(exc)

    @property
    def _journal_words(self) -> str | None:
        return self._intake.last_error or self._loop.health.journal or self._unreadable

    def _words(self, state: RunnerState, m: _Measured) -> str:
        health = self._loop.health
        if health.desk is not None:
            return health.desk
        if self._journal_words is not None:
            return f"readings are refused: {self._journal_words}"
        if health.database is not None:
            return f"readings are accepted and wait, {m.backlog_items} so far: {health.database}"
        if health.checkpoint is not None:
            return f"readings are judged, and would be again after a restart: {health.checkpoint}"
        if health.archive is not None:
            return f"readings are judged but cannot be archived: {health.archive}"
        return {
            "starting": "starting: taking up where the last run ended",
            "replaying": f"catching up: {m.backlog_items} readings are still to be judged",
            "running": "running",
            "waiting": "waiting",
            "stopped": "stopped",
        }[state]
