"""The room of a process that shares its fleet: the parts of ``live.room``, wired to the shared database."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import event

from steadyhead.archive.place import archive_place
from steadyhead.archive.shares import FleetArchive
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import DatabaseError
from steadyhead.live.clock import Clock
from steadyhead.live.connected import Connections
from steadyhead.live.desks import desk_of
from steadyhead.live.feed_rows import FeedRows
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.room import MB, Room, accounts_of, claim
from steadyhead.live.settings import RoomSettings
from steadyhead.live.sharing.book import Book
from steadyhead.live.sharing.fleet_runner import FleetRunner
from steadyhead.live.sharing.folder import leave_places, same_folder
from steadyhead.live.sharing.holdings import Holdings
from steadyhead.live.sharing.inbox import Inbox
from steadyhead.live.sharing.keeper import Keeper
from steadyhead.live.sharing.kit import Kit
from steadyhead.live.sharing.layout import adopt, places_of, plan_of, set_up
from steadyhead.live.sharing.rounds import NewsRelay, Rounds
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.live.sharing.tallies import FleetCounts
from steadyhead.live.sharing.tasks import tasks_of
from steadyhead.notify.plan import Plan as NotifyPlan
from steadyhead.store.database import Database, open_database
from steadyhead.weekly.reporter import Reporter

LEAST_IDLE_S = 5.0


@dataclass(slots=True)
class SharedRoom(Room):
    """See ``Room``; what exists once in a fleet is started by whoever holds it, not by ``start``.

    keeping : connections of the keeper alone, so that nobody's long work delays a sign of life
    """

    keeping: Database | None = None
    rounds: Rounds | None = None

    def start(self) -> None:
        """Begin to run; returns at once."""
        self.runner.start()
        self.reporter.start(self)
        if self.rounds is not None:
            self.rounds.start()

    def stop(self) -> None:
        """End everything in order, so that others take over at once. It cannot be started again."""
        if self.rounds is not None:
            self.rounds.stop()
        self.runner.stop()
        self.reporter.stop()
        self.news.close()
        self.archive.close()
        self.database.close()
        if self.keeping is not None:
            self.keeping.close()
        if self._lock_file is not None:
            self._lock_file.close()
            self._lock_file = None


def open_shared_room(settings: RoomSettings, registry: Registry, *, clock: Clock | None = None) -> Room:
    """As ``live.room.open_room``.

    Raises DatabaseError if the database cannot be shared, JournalError if a folder is not the others' folder.
    """
    sharing = settings.sharing or SharingSettings()
    clock = clock or Clock()
    plan = plan_of(registry, sharing.shares)
    lock_file = claim(settings.data_folder)
    opened: list[Database] = []
    try:
        knowledge = load_knowledge(settings.causes)
        opened += [_opened(settings, sharing), _opened(settings, sharing)]
        database, keeping = opened
        fleet = set_up(database, plan, registry, tasks_of(settings))
        accounts = accounts_of(settings, database, clock.wall_s)
        readings = archive_place(settings)
        if readings.store == "embedded":
            same_folder(database, fleet, readings.folder, "sharing.folder")
            leave_places(database, readings.folder)
        same_folder(database, fleet, settings.profiles, "profiles")
        if settings.report.is_made:  # whoever takes the task over has to see what is made already
            same_folder(database, fleet, settings.report.folder, "report.folder")
    except BaseException:
        for one in opened:
            one.close()
        lock_file.close()
        raise
    news = News()
    inbox = Inbox(database, settings.journal_max_mb)
    notify = NotifyPlan(settings.notify, registry, knowledge, clock.wall_s)
    quarantine = Quarantine(settings.data_folder, int(settings.quarantine_mb_per_day * MB))
    kit = Kit(
        settings=settings, registry=registry, knowledge=knowledge, database=database, plan=plan, inbox=inbox,
        clock=clock, news=news, quarantine=quarantine, readings=readings, hook=notify.hook,
    )  # fmt: skip
    own_reports = settings.report.model_copy(update={"is_made": False})  # on demand; the rest is a task
    holdings = Holdings(kit, lambda: _Reporting(room, clock))

    def divide_anew() -> bool:
        is_done = adopt(keeping, plan)
        if is_done and readings.store == "embedded":
            leave_places(keeping, readings.folder)
        return is_done

    keeper = Keeper(
        Book(keeping, sharing.shown_name, plan.digest), sharing.lease_s, sharing.renew_s, holdings.make,
        holdings.knows, divide_anew,
    )  # fmt: skip
    holdings.keeper = keeper
    steps_s = {name: station.step_s for name, station in registry.stations.items()}
    archive = FleetArchive(readings, steps_s, lambda: places_of(database), holdings.archive_of)
    desk = desk_of(Desk, settings, database, knowledge, registry, clock.wall_s, notify.hook, news)
    intake = holdings.front_door(database)
    counts = FleetCounts(database, holdings.answers_for)
    feed_rows = FeedRows(counts, database, news, clock.wall_s, holdings.states)
    rounds = Rounds(holdings, inbox, NewsRelay(database, news), feed_rows, desk, clock.wall_s)
    intake.on_commit = rounds.wake.set
    room = SharedRoom(
        settings=settings, folder=settings.data_folder, registry=registry, knowledge=knowledge,
        database=database, archive=archive, profiles=settings.profiles, desk=desk,
        accounts=accounts, intake=intake,
        runner=FleetRunner(kit, holdings, intake, archive), news=news, clock=clock.wall_s, journal=counts,
        sender=holdings.new_sender(), reporter=Reporter(own_reports, clock.wall_s),
        connections=Connections({}, intake, counts, lambda: 0, clock.wall_s, settings.future_s),
        outward=holdings.outward, keeping=keeping, rounds=rounds, _lock_file=lock_file,
    )  # fmt: skip
    return room


class _Reporting:
    """The weekly report while it is this process's task."""

    def __init__(self, room: Room, clock: Clock) -> None:
        self._room, self._reporter = room, Reporter(room.settings.report, clock.wall_s)

    def start(self) -> None:
        """Begin to look whether one is due."""
        self._reporter.start(self._room)

    def stop(self) -> None:
        """End."""
        self._reporter.stop()


def _opened(settings: RoomSettings, sharing: SharingSettings) -> Database:
    database = open_database(settings.database)
    if database.engine.dialect.name != "postgresql":
        database.close()
        raise DatabaseError(
            f"{database.url}: SQLite is for one process; to share a fleet set database_url to a PostgreSQL, "
            "such as postgresql://user@host:5432/name, or remove sharing from the settings"
        )
    # a process that is paused in the middle of a transaction would hold up all others for as long
    idle_ms = int(max(sharing.lease_s / 2, LEAST_IDLE_S) * 1000)

    @event.listens_for(database.engine, "connect")
    def _settle(connection: object, _record: object) -> None:
        cursor = connection.cursor()  # type: ignore[attr-defined]
        cursor.execute(f"SET idle_in_transaction_session_timeout = {idle_ms}")
        cursor.close()
        connection.commit()  # type: ignore[attr-defined]

    database.engine.dispose()
    return database
