"""What the live run does with the journal: judge, tell the desk, keep the rows, have all made safe.

Each step may be broken off by a kill at any moment: what it did is done again from the last checkpoint, and
desk and archive take the same thing twice without a change.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator

from steadyhead.archive.archive import Archive
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.errors import ArchiveError, DatabaseError, DeskError, NotFoundError
from steadyhead.live import checkpoint
from steadyhead.live.course import Course
from steadyhead.live.health import Health
from steadyhead.live.journal import Record
from steadyhead.live.kinds import JournalLike
from steadyhead.live.order import Order
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.rebuild import rebuilt
from steadyhead.live.saver import Saver
from steadyhead.live.watermarks import Waits, Watermarks
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.database import Database

log = logging.getLogger(__name__)

MOST_ITEMS = 200_000  # readings taken from the journal at once; after a stop they are judged in larger blocks
MOST_UNSAFE_ROWS = 4_000_000  # rows judged and not in the archive, at which judging waits; about 250 MB


class Loop:
    """The run without its thread. One thread calls it.

    saver : makes safe what was judged; only ``Loop`` and that thread ask it
    done_no : last record that is judged and told; judged_rows : rows given to the engine since the start
    outdated : stations whose profile was replaced while the service did not run
    """

    def __init__(
        self, registry: Registry, waits: Waits, journal: JournalLike, database: Database, archive: Archive,
        desk: Desk, profiles: ProfileFiles,
    ) -> None:  # fmt: skip
        self.order = Order(list(registry.stations.values()), waits, registry.settings.units, self._on_rows)
        self.health = Health()
        self.done_no = 0
        self.judged_rows = 0
        self._units = registry.settings.units
        self._journal, self._database, self._archive, self._desk = journal, database, archive, desk
        self._profiles = profiles
        self.outdated: list[str] = []
        self._saved: dict[str, checkpoint.Saved] = {}
        self._speaking: dict[str, Course] = {}
        self.saver = Saver(self.order, journal, database, archive, self.health)

    # ------------------------------------------------------------ start

    def restore(self) -> Watermarks:
        """Take up the checkpoints; returns the marks as they stand at the end of the journal.

        Raises DatabaseError.
        """
        order = self.order
        self._saved = checkpoint.load(self._database, order.courses)
        for n, course in enumerate(order.courses):
            saved = self._saved.get(course.station.name)
            if saved is None:
                continue
            order.courses[n] = saved.course
            order.marks.table[n] = saved.mark[0]
            if saved.course.told:
                self._speaking[saved.course.station.name] = saved.course
        order.restored()
        self.done_no = 0  # of what is left in the journal each course leaves out what it holds already
        return order.followed(_all_records(self._journal))

    def equip(self) -> None:
        """Give every station its profile: the one it was judged by last, or for a new one that in use.

        With very many stations this takes longer than ``restore``; readings are accepted meanwhile.
        Raises ArchiveError if an engine state has to be made anew and the archive cannot be read.
        """
        for course in self.order.courses:
            name = course.station.name
            in_use = self._profiles.in_use(name)
            saved = self._saved.get(name)
            if saved is None:
                course.profile = in_use
                continue
            if in_use is not None and in_use.version != saved.profile_version:
                self.outdated.append(name)
            if saved.profile_version:
                course.profile = self._saved_profile(name, saved.profile_version, in_use)
            if course.profile is not None and not saved.is_whole:
                log.warning("%s: the engine state is of another version, made anew", name)
                rebuilt(course, self._archive, self._units)
            if course.told:
                self._speaking[name] = course
        self._saved = {}

    # ------------------------------------------------------------ run

    def step(self) -> bool:
        """Judge what is new in the journal; whether there was anything.

        Raises DatabaseError if the desk cannot be told now, JournalError if the journal cannot be read. Call
        it again then: nothing is judged twice, and what was to be told comes first.
        """
        self._tell()
        is_much = self.judged_rows - self.saver.archived_rows > MOST_UNSAFE_ROWS
        if is_much and (self.health.archive is not None or self.saver.is_busy):
            return False
        records = self._journal.read(self.done_no, MOST_ITEMS)
        for record in records:
            if record.kind == "profile":
                self._change_profile(record)
            else:
                self.order.take(record)
            self.done_no = record.no
        self.order.settle()
        self._tell()
        return bool(records)

    def begin_save(self) -> None:
        """Have the next part of the stations made safe while judging goes on; see ``Saver``."""
        self.saver.begin(self.done_no, self.judged_rows)

    def save(self) -> bool:
        """Make everything safe up to ``done_no`` and prune the journal; whether that succeeded.

        Failing is no error: the journal keeps what is not safe, and the next call tries again. Raises
        JournalError.
        """
        return self.saver.save_all(self.done_no, self.judged_rows)

    def profile_of(self, station: str) -> Profile | None:
        """The profile that a station is judged by."""
        return self.order.courses[self.order.places[station]].profile

    # ------------------------------------------------------------ inner

    def _on_rows(self, course: Course, rows: Readings) -> None:
        self.judged_rows += len(rows)
        if course.told:
            self._speaking[course.station.name] = course
        try:
            self._archive.append(rows)
        except ArchiveError as exc:  # it holds them in memory all the same, and tries again
            self.health.archive = str(exc)

    def _tell(self) -> None:
        """Tell the desk everything that stands to be told, station by station in order."""
        self.health.desk = None
        for name in list(self._speaking):
            course = self._speaking[name]
            try:
                while course.told:
                    self._tell_one(course)
                del self._speaking[name]
            except DatabaseError as exc:
                self.health.database = str(exc)
                raise
            except Exception as exc:  # a defect must not silence all other stations
                log.exception("%s: an alert could not be recorded; it is tried again", name)
                self.health.desk = f"{name}: an alert could not be recorded ({exc}); it is tried again"
        self.health.database = None

    def _tell_one(self, course: Course) -> None:
        told = course.told[0]
        verdict = told.verdict
        try:
            if told.kind == "raised":
                self._desk.raised(verdict)
            elif told.kind == "updated":
                self._desk.updated(verdict)
            else:
                name = verdict.alert_id
                self._desk.cleared(name, verdict.updated_s, verdict)
        except (NotFoundError, DeskError) as exc:  # such as a clear of what a restored database never knew
            log.warning("%s: not told to the desk: %s", course.station.name, exc)
        del course.told[0]
        course.is_changed = True

    def _change_profile(self, record: Record) -> None:
        """Judge a station by another profile from the rows on that are not judged yet."""
        said = json.loads(record.body)
        n = self.order.places.get(said["station"])
        if n is None or self.order.courses[n].journal_no >= record.no:
            return
        self.order.settle()
        course = self.order.courses[n]
        profile = self._profiles.of_version(course.station.name, said["version"])
        if profile is not None and (course.profile is None or course.profile.version != profile.version):
            course.change_profile(profile)
            if course.told:
                self._speaking[course.station.name] = course

    def _saved_profile(self, station: str, version: str, in_use: Profile | None) -> Profile | None:
        """The profile a checkpoint was made with; the one in use where that is lost."""
        if in_use is not None and in_use.version == version:
            return in_use
        return self._profiles.of_version(station, version) or in_use


def _all_records(journal: JournalLike) -> Iterator[Record]:
    """Every record of the journal, piece by piece."""
    after = 0
    while records := journal.read(after, MOST_ITEMS):
        yield from records
        after = records[-1].no
