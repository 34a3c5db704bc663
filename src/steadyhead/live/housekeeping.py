"""What has to be done now and then while the run goes on: tables, ends of shelvings, profiles, thinning."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from steadyhead.desk.audit import FILE
from steadyhead.errors import DatabaseError, JournalError, LearningError, SteadyheadError
from steadyhead.live.parts import Parts
from steadyhead.live.station_views import learning_of

log = logging.getLogger(__name__)

TABLES_S = 3.0  # feeds and refusals are written to the database so often
TICK_S = 30.0  # shelvings and outages end this late at most
PROFILES_S = 15.0  # how often the profiles folder is looked at
LEARN_S = 60.0
THIN_S = 6 * 3600.0
FIRST_THIN_S = 600.0  # after the start, when what had gathered is judged
DAY_S = 86400


@dataclass(slots=True)
class Job:
    """Something to be done every so often. due : on the steady clock"""

    every_s: float
    act: Callable[[], object]
    due: float = 0.0
    said: str = ""

    def do_if_due(self) -> None:
        """Do it if its time has come; one that fails is tried again when it is due."""
        if time.monotonic() >= self.due:
            self.said = do(self.act, self.said)
            self.due = time.monotonic() + self.every_s


class Housekeeper:
    """Runs its jobs in turn in the thread that calls ``run``. A job that fails is tried again when it is due.

    learn : learns a station by name and puts the profile in use
    """

    def __init__(self, parts: Parts, learn: Callable[[str], object]) -> None:
        self._parts = parts
        self._learn = learn
        self._jobs = [
            Job(TABLES_S, parts.feed_rows.write),
            Job(TICK_S, lambda: parts.desk.tick(parts.clock.wall_s())),
            Job(PROFILES_S, self.look_at_profiles),
            Job(THIN_S, self.thin),
        ]
        if parts.settings.learn_by_itself:
            self._jobs.append(Job(LEARN_S, self.learn_what_can_be))
        self._stop = threading.Event()

    def run(self, stop: threading.Event, is_up: Callable[[], bool]) -> None:
        """Until ``stop``; nothing is done before ``is_up``."""
        self._stop = stop
        for job in self._jobs:
            job.due = time.monotonic() + (FIRST_THIN_S if job.every_s == THIN_S else 0.0)
        while not stop.wait(0.2):
            for job in self._jobs if is_up() else ():
                if not stop.is_set():
                    job.do_if_due()

    def thin(self) -> None:
        """Bring archive and quarantine in line with how long readings are kept."""
        parts = self._parts
        now_s = parts.clock.wall_s()
        parts.archive.thin(int(now_s))
        parts.quarantine.forget(now_s - parts.settings.keep_full_days * DAY_S)

    def look_at_profiles(self) -> None:
        """Take up profiles that somebody has put in the folder, such as ``steadyhead learn``."""
        files, loop = self._parts.files, self._parts.loop
        for profile in files.newly_in_use():
            course = loop.order.courses[loop.order.places[profile.station]]
            if course.profile is not None and course.profile.version == profile.version:
                continue
            try:
                self._parts.desk.profile_in_use(profile, course.profile, FILE)
                self._parts.intake.note_profile(profile.station, profile.version)
            except (JournalError, DatabaseError):
                files.look_again(profile.station)
                raise

    def learn_what_can_be(self) -> None:
        """Learn every station that has days enough and no profile."""
        for course in self._parts.loop.order.courses:
            if self._stop.is_set():
                return
            if course.profile is None and learning_of(course, self._parts.settings.learn_days).can_learn:
                try:
                    self._learn(course.station.name)
                except LearningError as exc:
                    log.warning("not learned: %s", exc)


def do(act: Callable[[], object], said: str) -> str:
    """Do it; what fails is logged, the same words once. Returns the words, for the next time."""
    try:
        act()
    except SteadyheadError as exc:  # said by whoever needs it too; tried again next time
        if str(exc) != said:
            log.warning("%s", exc)
        return str(exc)
    except Exception:
        log.exception("a defect; it is tried again")
    return ""
