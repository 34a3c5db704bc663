"""The room: everything the API and the pages work with, wired in one place."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

from sqlalchemy import select

from steadyhead.access.accounts import Accounts
from steadyhead.access.factor_key import FactorKey
from steadyhead.archive.archive import Archive
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.influx import InfluxArchive
from steadyhead.archive.influx_text import read_token
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.diagnosis.causes import Knowledge, load_knowledge
from steadyhead.errors import DatabaseError, JournalError
from steadyhead.live.clock import Clock
from steadyhead.live.connected import Connections
from steadyhead.live.desks import desk_of
from steadyhead.live.doors import doors_of
from steadyhead.live.feed_rows import FeedRows, FeedState
from steadyhead.live.folders import Folders
from steadyhead.live.intake import Intake
from steadyhead.live.journal import Journal
from steadyhead.live.kinds import Counted, RunnerLike
from steadyhead.live.loop import Loop
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.runner import Parts, Runner
from steadyhead.live.settings import RoomSettings
from steadyhead.live.watermarks import Waits
from steadyhead.notify.plan import Plan
from steadyhead.notify.sender import Sender
from steadyhead.outward.sender import Outward
from steadyhead.store.database import Database, open_database
from steadyhead.store.tables import SharingRow
from steadyhead.weekly.reporter import Reporter

MB = 1 << 20


@dataclass(slots=True)
class Room:
    """All that a running service consists of.

    folder : data folder; profiles : folder of learned profiles; clock : epoch seconds
    """

    settings: RoomSettings
    folder: Path
    registry: Registry
    knowledge: Knowledge
    database: Database
    archive: Archive
    profiles: Path
    desk: Desk
    accounts: Accounts
    intake: Intake
    runner: RunnerLike
    news: News
    clock: Callable[[], float]
    journal: Counted
    sender: Sender
    reporter: Reporter
    connections: Connections
    outward: Outward
    _lock_file: IO[str] | None = field(default=None, repr=False)

    def start(self) -> None:
        """Begin to run; returns at once."""
        self.runner.start()
        self.connections.start()
        self.sender.start()
        self.outward.start()
        self.reporter.start(self)

    def stop(self) -> None:
        """End everything in order; what was accepted is safe. The room cannot be started again."""
        self.connections.stop()
        self.runner.stop()
        self.reporter.stop()
        self.outward.stop()
        self.sender.stop()
        self.news.close()
        self.archive.close()
        if isinstance(self.journal, Journal):
            self.journal.close()
        self.database.close()
        if self._lock_file is not None:
            self._lock_file.close()
            self._lock_file = None


def open_room(settings: RoomSettings, registry: Registry, *, clock: Clock | None = None) -> Room:
    """Open the data folder, the database and the archive; nothing runs until ``start``.

    Raises JournalError if another service uses the data folder, DatabaseError, ArchiveError or RegistryError
    if something cannot be opened.
    """
    if settings.sharing is not None:
        from steadyhead.live.sharing.room import open_shared_room  # it builds on this module

        return open_shared_room(settings, registry, clock=clock)
    clock = clock or Clock()
    folder = settings.data_folder
    lock_file = claim(folder)
    try:
        knowledge = load_knowledge(settings.causes)
        database = open_database(settings.database)
        refuse_if_shared(database)
        accounts = accounts_of(settings, database, clock.wall_s)
        journal = Journal(folder, settings.journal_max_mb)
        archive = _archive(settings, registry)
    except BaseException:
        lock_file.close()
        raise
    clock.resume(journal.listened_s)
    news = News()
    plan = Plan(settings.notify, registry, knowledge, clock.wall_s)
    desk = desk_of(Desk, settings, database, knowledge, registry, clock.wall_s, plan.hook, news)
    quarantine = Quarantine(folder, int(settings.quarantine_mb_per_day * MB))
    intake = Intake(doors_of(registry), journal, quarantine, clock, settings.future_s)
    files = ProfileFiles(settings.profiles, registry.stations)
    waits = Waits(settings.horizon_s, settings.silence_s)
    loop = Loop(registry, waits, journal, database, archive, desk, files)
    folders = None
    if settings.watch_folders:
        folders = Folders(
            registry, intake, journal, folder, lambda: journal.last_no - loop.done_no, clock.wall_s,
            settings.future_s,
        )  # fmt: skip
    connections = Connections(
        settings.feeds,
        intake,
        journal,
        lambda: journal.last_no - loop.done_no,
        clock.wall_s,
        settings.future_s,
    )

    def watched() -> dict[str, FeedState]:
        return {**(folders.states() if folders is not None else {}), **connections.states()}

    feed_rows = FeedRows(journal, database, news, clock.wall_s, watched)
    parts = Parts(
        settings=settings,
        registry=registry,
        clock=clock,
        journal=journal,
        intake=intake,
        quarantine=quarantine,
        archive=archive,
        desk=desk,
        news=news,
        files=files,
        loop=loop,
        feed_rows=feed_rows,
        folders=folders,
    )
    return Room(
        settings=settings,
        folder=folder,
        registry=registry,
        knowledge=knowledge,
        database=database,
        archive=archive,
        profiles=settings.profiles,
        desk=desk,
        accounts=accounts,
        intake=intake,
        runner=Runner(parts),
        news=news,
        clock=clock.wall_s,
        journal=journal,
        sender=Sender(settings.notify, database, clock.wall_s),
        reporter=Reporter(settings.report, clock.wall_s),
        connections=connections,
        outward=Outward(
            settings.alerts_out,
            database,
            registry.stations,
            files.in_use,
            lambda condition: knowledge.entries[condition].title,
            clock.wall_s,
        ),
        _lock_file=lock_file,
    )


def accounts_of(settings: RoomSettings, database: Database, clock: Callable[[], float]) -> Accounts:
    """Accounts as the settings have them; what an older version kept in clear is sealed.

    Raises FactorKeyError if it cannot be. clock : epoch seconds
    """
    accounts = Accounts(database, clock, settings.access, FactorKey(settings.factor_key_file))
    try:
        accounts.seal_factors()
    except BaseException:
        database.close()
        raise
    return accounts


def _archive(settings: RoomSettings, registry: Registry) -> Archive:
    steps_s = {name: station.step_s for name, station in registry.stations.items()}
    if settings.readings_store == "influx":
        influx = settings.influx
        token = read_token(influx.token_file) if influx.token_file is not None else ""
        return InfluxArchive(
            influx.url, influx.org, influx.bucket, token, steps_s, settings.keep, influx.timeout_s
        )
    return EmbeddedArchive(settings.data_folder, steps_s, settings.keep)


def refuse_if_shared(database: Database) -> None:
    """A process that runs alone would judge everything a second time.

    Raises DatabaseError if other processes share the database, or have shared it.
    """
    with database.reading() as session:
        if session.scalar(select(SharingRow.value).limit(1)) is None:
            return
    database.close()
    raise DatabaseError(
        f"{database.url}: processes share it, and what they have accepted is in it alone; add sharing to the "
        "settings, as the others have it (docs/sharing.md); a process may be the only one that shares"
    )


def claim(folder: Path) -> IO[str]:
    """Hold the data folder: two services on one journal would judge everything twice.

    The lock is the kernel's, so it goes with the process, however that ends.
    """
    path = folder / "lock"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = path.open("a+", encoding="utf-8")
    except OSError as exc:
        raise JournalError(
            f"{folder}: cannot be used as data folder ({exc.strerror or exc}); check its rights, or name "
            "another one under data_folder"
        ) from exc
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as exc:
        file.seek(0)
        holder = file.read().strip() or "unknown"
        file.close()
        raise JournalError(
            f"{folder}: another service uses this data folder (process {holder}); stop it first, or name "
            "another data_folder"
        ) from exc
    file.truncate(0)
    file.write(f"{os.getpid()}\n")
    file.flush()
    return file
