"""The live run in its threads: one judges, one reads watched folders, one keeps house."""

from __future__ import annotations

import contextlib
import gc
import logging
import threading
import time
from collections.abc import Callable, Collection

from steadyhead.desk.audit import FILE, SERVICE
from steadyhead.desk.news import Event
from steadyhead.errors import ArchiveError, DatabaseError, JournalError, NotFoundError, SteadyheadError
from steadyhead.live.housekeeping import Housekeeper, do
from steadyhead.live.parts import Parts
from steadyhead.live.station_views import last_s_of, span_of, view_of
from steadyhead.live.status import StatusBoard
from steadyhead.live.views import Learned, Learning, RunnerState, RunnerStatus, StationView

__all__ = ["Learned", "Learning", "Parts", "Runner", "RunnerStatus", "StationView"]

log = logging.getLogger(__name__)

WAIT_S = 1.0  # the longest the run rests without looking; a commit wakes it at once
SAVE_AGAIN_S = 30.0  # after a checkpoint that could not be written
LONGEST_PAUSE_S = 10.0  # between tries while the database is gone


class Runner:
    """Runs in threads of its own; the methods here may be called from any thread."""

    def __init__(self, parts: Parts) -> None:
        self._parts = parts
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._threads: list[threading.Thread] = []
        self._state: RunnerState = "stopped"
        self._board = StatusBoard(parts.journal, parts.intake, parts.clock, parts.loop)
        self._save_every_s = parts.settings.checkpoint_s / parts.loop.saver.n_parts
        self._save_at = time.monotonic() + self._save_every_s
        self._learning = threading.Lock()
        self.housekeeper = Housekeeper(parts, self.learn)

    # ------------------------------------------------------------ for others

    def start(self) -> None:
        """Resume from the checkpoints and begin; returns at once."""
        if self._threads:
            return
        self._stop.clear()
        self._state = "starting"
        self._parts.intake.on_commit = self._wake.set
        self._threads = [
            threading.Thread(target=self._run, name="runner", daemon=True),
            threading.Thread(
                target=self.housekeeper.run, args=(self._stop, self._is_up), name="housekeeper", daemon=True
            ),
        ]
        if self._parts.folders is not None:
            self._threads.append(threading.Thread(target=self._watch, name="folders", daemon=True))
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Judge what is accepted, make everything safe and end the threads."""
        self._parts.intake.shut()
        self._stop.set()
        if self._parts.folders is not None:
            self._parts.folders.stop.set()
        self._wake.set()
        for thread in self._threads:
            thread.join()
        self._parts.loop.saver.join()  # still at it only if the run has ended by a defect
        self._threads = []
        gc.unfreeze()
        self._state = "stopped"

    def status(self) -> RunnerStatus:
        """How the run is doing."""
        return self._board.status(self._state)

    def stations(self, names: Collection[str] | None = None) -> dict[str, StationView]:
        """Each station now, by name; all if None. Names that are not in the registry are left out."""
        order, now_s = self._parts.loop.order, self._parts.clock.wall_s()
        wanted = order.places if names is None else [name for name in names if name in order.places]
        days = self._parts.settings.learn_days
        return {name: view_of(order.courses[order.places[name]], days, now_s) for name in wanted}

    def last_seen(self) -> dict[str, int | None]:
        """Time of the newest reading of every station, or None; ``stations`` takes ten times as long."""
        order = self._parts.loop.order
        return {name: last_s_of(order.courses[n]) for name, n in order.places.items()}

    def learn(
        self, station: str, from_s: int | None = None, to_s: int | None = None, *, who: str = SERVICE
    ) -> Learned:
        """Learn a profile from archived readings and put it in use; takes seconds.

        from_s, to_s : the registry's span, or the latest weeks, where they are left out
        who : for the audit
        The profile it replaces is kept; the run judges by the new one from the next row on.
        Raises NotFoundError for an unknown station, LearningError if there is too little.
        """
        # brings scikit-learn, which takes seconds to load and is needed nowhere else in a service
        from steadyhead.live.learning import learned_from

        parts = self._parts
        place = parts.loop.order.places.get(station)
        if place is None:
            raise NotFoundError(f'there is no station "{station}" in the registry; mend the name')
        course = parts.loop.order.courses[place]
        offered = span_of(course, course.station)
        span = offered[0] if from_s is None else from_s, offered[1] if to_s is None else to_s
        with self._learning:  # one at a time: it takes all of a core
            parts.desk.check()  # what cannot be written in the audit is not done
            learned = learned_from(parts.archive, parts.registry, parts.files, station, *span)
            parts.desk.profile_in_use(learned.profile, learned.replaced, who)
            parts.intake.note_profile(station, learned.profile.version)
        parts.news.publish(Event("station", station))
        return learned

    # ------------------------------------------------------------ the judging thread

    def _run(self) -> None:
        try:
            if not (self._patiently(self._begin) and self._patiently(self._parts.loop.equip)):
                return
            _leave_alone_what_stays()
            self._state = "replaying"
            while not self._stop.is_set():
                self._patiently(self._once)
            self._finish()
        except Exception:  # a defect: say so, and let the pages go on
            log.exception("the run has ended; readings are still accepted, restart the service")
            self._parts.loop.health.desk = "the run has ended by a defect; restart the service and report it"
            self._state = "waiting"

    def _begin(self) -> None:
        marks = self._parts.loop.restore()
        self._parts.intake.open(marks)

    def _once(self) -> None:
        parts = self._parts
        with contextlib.suppress(JournalError):  # the intake remembers it, and the status says so
            parts.intake.mark()
        self._wake.clear()
        was_any = parts.loop.step()
        parts.loop.health.journal = None
        if self._state != "running" and parts.loop.done_no >= parts.journal.last_no:
            self._state = "running"
            self._put_outdated_in_use()
        self._save_if_due()
        if not was_any:
            self._wake.wait(WAIT_S)

    def _save_if_due(self) -> None:
        """Have the next part made safe, so that each is once in ``checkpoint_s``."""
        loop = self._parts.loop
        if loop.saver.ended() is False:
            self._save_at = time.monotonic() + min(self._save_every_s, SAVE_AGAIN_S)
        if time.monotonic() >= self._save_at and not loop.saver.is_busy:
            self._save_at = time.monotonic() + self._save_every_s
            loop.begin_save()

    def _finish(self) -> None:
        """Judge the rest and save, as far as the database lets us; else the journal keeps it."""
        try:
            self._parts.loop.saver.wait()
            while self._parts.loop.step():
                pass
            self._parts.loop.save()
        except SteadyheadError as exc:
            log.warning("stopped before all was judged; the journal keeps it: %s", exc)

    def _patiently(self, act: Callable[[], None]) -> bool:
        """Do it, again and again while database or journal do not answer; False if stopped meanwhile."""
        pause_s = 0.5
        while not self._stop.is_set():
            try:
                act()
            except (DatabaseError, JournalError, ArchiveError) as exc:
                log.warning("waiting: %s", exc)
                self._note_failure(exc)
                before, self._state = self._state, "waiting"
                self._stop.wait(pause_s)
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
                self._state = before
            else:
                return True
        return False

    def _note_failure(self, exc: SteadyheadError) -> None:
        health = self._parts.loop.health
        if isinstance(exc, DatabaseError):
            health.database = str(exc)
        elif isinstance(exc, JournalError):
            health.journal = str(exc)
        else:
            health.archive = str(exc)

    def _put_outdated_in_use(self) -> None:
        """Profiles that were learned while the service did not run."""
        loop = self._parts.loop
        for name in loop.outdated:
            profile = self._parts.files.in_use(name)
            if profile is not None:
                self._parts.desk.profile_in_use(profile, loop.profile_of(name), FILE)
                self._parts.intake.note_profile(name, profile.version)
        loop.outdated.clear()

    # ------------------------------------------------------------ the other threads

    def _is_up(self) -> bool:
        return self._state not in ("starting", "stopped")

    def _watch(self) -> None:
        """Watched folders, in a thread of their own: a log of years takes minutes."""
        folders, said = self._parts.folders, ""
        while folders is not None and not self._stop.is_set():
            if self._is_up():
                said = do(folders.poll, said)
            self._stop.wait(self._parts.settings.poll_s if self._is_up() else 0.1)


def _leave_alone_what_stays() -> None:
    """Registry, profiles and courses live as long as the run.

    To look through all of them for what is no longer used stops every thread for seconds in a large fleet.
    """
    gc.collect()
    gc.freeze()
