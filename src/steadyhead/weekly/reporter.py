"""The reports of a service: every week by itself, and on demand; one at a time, in a process of its own."""

from __future__ import annotations

import logging
import subprocess
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Protocol

from sqlalchemy import select

from steadyhead.archive.archive import Archive
from steadyhead.config.model import Registry
from steadyhead.desk.audit import CLOCK
from steadyhead.errors import DatabaseError, ReportError, SteadyheadError
from steadyhead.store.database import Database
from steadyhead.store.tables import AuditRow
from steadyhead.weekly.apart import LEAVE_S, CrashedError, Order, end, make_apart
from steadyhead.weekly.asking import Ask, check_week
from steadyhead.weekly.kept import kept_report
from steadyhead.weekly.material import usual_zone
from steadyhead.weekly.opening import DataPlace, SettingsLike
from steadyhead.weekly.schedule import due_week
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import check_writable, stamp_s, sweep

log = logging.getLogger(__name__)

LOOK_S = 600.0  # how often it is looked whether a report is due
FIRST_LOOK_S = 60.0  # after the start, when what had gathered is judged
SETTLE_S = 3600.0  # after a failure; a week without a reading will not have one in ten minutes
MOST_WAITING = 20  # more than that is a mistake, not a wish
MOST_TOLD = 100  # of the asks that are over


class RoomLike(Protocol):
    """What is needed of a running service (``live.room.Room``)."""

    @property
    def settings(self) -> SettingsLike: ...  # noqa: D102
    @property
    def registry(self) -> Registry: ...  # noqa: D102
    @property
    def archive(self) -> Archive: ...  # noqa: D102
    @property
    def database(self) -> Database: ...  # noqa: D102


class Reporter:
    """Started with a service; safe to use from several threads."""

    def __init__(self, settings: ReportSettings, clock: Callable[[], float]) -> None:
        self.settings = settings
        self._clock = clock
        self._room: RoomLike | None = None
        self._thread: threading.Thread | None = None
        self._lock = threading.Condition()
        self._stopped = False
        self._waiting: deque[Ask] = deque()
        self._now: Ask | None = None
        self._over: dict[Week, Ask] = {}
        self._process: subprocess.Popen[bytes] | None = None

    def start(self, room: RoomLike) -> None:
        """Begin to look whether a report is due, where that is wanted; returns at once."""
        self._room = room
        sweep(self.settings.folder)
        if self.settings.is_made:
            self._begin()

    def stop(self) -> None:
        """End; a report that is being made is given up, and none of its files is there."""
        with self._lock:
            self._stopped = True
            self._waiting.clear()
            process, thread = self._process, self._thread
            self._lock.notify_all()
        if process is not None:
            end(process)
        if thread is not None:
            thread.join(2 * LEAVE_S)

    # ------------------------------------------------------------------ asking

    def ask(
        self, week: Week, who: str, *, pages_for: Sequence[str] = (), even_if_incomplete: bool = False
    ) -> Ask:
        """Ask for the report of a week; returns at once. One that is asked for already is not made twice.

        Raises ReportError if it cannot be made, EmptyWeekError, OpenWeekError, ArchiveError, OutputError if
        its folder cannot be written, DatabaseError if it cannot be noted who asked.
        """
        room = self._room
        if room is None:
            raise ReportError("the service is not running; start it, then ask again")
        check_week(
            week, room.registry, room.archive, self._clock(), even_if_incomplete=even_if_incomplete,
            pages_for=pages_for,
        )  # fmt: skip
        check_writable(self.settings.folder)
        asked = Ask(week, who, int(self._clock()), tuple(dict.fromkeys(pages_for)))
        with self._lock:
            if len(self._waiting) >= MOST_WAITING:
                raise ReportError(f"{MOST_WAITING} reports wait to be made already; ask again when some are")
        with room.database.session() as session:
            details = {"pages_for": list(asked.pages_for), "even_if_incomplete": even_if_incomplete}
            session.add(
                AuditRow(
                    at_s=asked.asked_s, who=who, what="report_asked", subject_kind="report",
                    subject=str(week), why="", details=details,
                )
            )  # fmt: skip
        self._begin()
        return self._queue(asked)

    def _queue(self, asked: Ask) -> Ask:
        with self._lock:
            now = self._now
            if now is not None and now.week == asked.week and set(asked.pages_for) <= set(now.pages_for):
                return now
            for n, other in enumerate(self._waiting):
                if other.week == asked.week:
                    both = tuple(dict.fromkeys((*other.pages_for, *asked.pages_for)))
                    self._waiting[n] = replace(other, pages_for=both)
                    return self._waiting[n]
            self._waiting.append(asked)
            self._lock.notify_all()
            return asked

    def asks(self) -> dict[Week, Ask]:
        """The latest ask of each week since the service began; one that is not over goes first."""
        with self._lock:
            found = dict(self._over)
            found.update({ask.week: ask for ask in self._waiting})
            if self._now is not None:
                found[self._now.week] = self._now
            return found

    # ------------------------------------------------------------------ at work

    def _begin(self) -> None:
        with self._lock:
            if self._thread is None and not self._stopped:
                self._thread = threading.Thread(target=self._run, name="reporter", daemon=True)
                self._thread.start()

    def _run(self) -> None:
        wait_s = FIRST_LOOK_S if self.settings.is_made else None
        while (asked := self._next(wait_s)) is not None or not self._stopped:
            if asked is not None:
                self._make(asked)
            elif self.settings.is_made:
                wait_s = self._look()

    def _next(self, wait_s: float | None) -> Ask | None:
        with self._lock:
            if not self._waiting and not self._stopped:
                self._lock.wait(wait_s)
            if self._stopped or not self._waiting:
                return None
            self._now = replace(self._waiting.popleft(), state="running", started_s=int(self._clock()))
            return self._now

    def _look(self) -> float:
        """Ask for the report that is due, unless it is there; how long to wait before the next look [s]."""
        room = self._room
        assert room is not None
        try:
            zone = usual_zone(room.registry, list(room.registry.stations))
            week = due_week(self._clock(), zone, self.settings)
            failed = self._over.get(week)
            failed_s = failed.ended_s if failed is not None and failed.error is not None else None
            if failed_s is not None and self._clock() - failed_s < SETTLE_S:
                return LOOK_S
            if kept_report(self.settings.folder, week) is None:
                self.ask(week, CLOCK, even_if_incomplete=True)
        except SteadyheadError as exc:
            log.warning("no report: %s", exc)
            return SETTLE_S
        except Exception:
            log.exception("a defect in the report; it is tried again")
            return SETTLE_S
        return LOOK_S

    def _make(self, asked: Ask) -> None:
        room = self._room
        assert room is not None
        folder = self.settings.folder / str(asked.week)
        try:
            room.archive.flush()  # the other process sees what is on the disk
            order = Order(
                DataPlace.of(room.settings), room.registry, self.settings, asked.week, folder,
                asked.pages_for, stamp_s(self._clock),
            )  # fmt: skip
            outcome = make_apart(order, self._progress, self._started)
        except SteadyheadError as exc:
            log.warning("no report of week %s: %s", asked.week, exc)
            self._end_of(state="failed", error=exc)
        except CrashedError as exc:
            if not self._stopped:
                log.error("the report of week %s was not made: %s", asked.week, exc)  # noqa: TRY400 no trace
            self._end_of(state="failed", error=ReportError(BROKE_OFF))
        except Exception:
            log.exception("a defect in the report of week %s", asked.week)
            self._end_of(state="failed", error=ReportError(BROKE_OFF))
        else:
            log.warning("the report of week %s is in %s", asked.week, folder)
            self._end_of(state="finished", left_out=outcome.left_out)

    def _started(self, process: subprocess.Popen[bytes]) -> None:
        with self._lock:
            self._process = process
            is_stopped = self._stopped
        if is_stopped:
            end(process)

    def _progress(self, what: str, done: int, total: int) -> None:
        with self._lock:
            if self._now is not None:
                self._now = replace(self._now, what=what, done=done, total=total)

    def _end_of(self, **how: object) -> None:
        with self._lock:
            assert self._now is not None
            asked = replace(self._now, ended_s=int(self._clock()), what="", **how)  # type: ignore[arg-type]
            self._now = self._process = None
            self._over.pop(asked.week, None)
            self._over[asked.week] = asked
            while len(self._over) > MOST_TOLD:
                self._over.pop(next(iter(self._over)))


BROKE_OFF = "the report was broken off by a defect or for want of memory; the service's log says more"


def asked_by(database: Database, weeks: Sequence[Week]) -> dict[str, tuple[str, int]]:
    """Who asked for the report of each week last, and when [s]; empty while the audit cannot be read."""
    query = (
        select(AuditRow.subject, AuditRow.who, AuditRow.at_s)
        .where(AuditRow.subject_kind == "report", AuditRow.subject.in_([str(week) for week in weeks]))
        .order_by(AuditRow.id)
    )
    try:
        with database.reading() as session:
            return {subject: (who, at_s) for subject, who, at_s in session.execute(query)}
    except DatabaseError:
        return {}
