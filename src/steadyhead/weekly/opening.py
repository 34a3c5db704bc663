"""Open a service's data for reading, and the function a service calls on a schedule."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Protocol

from steadyhead.archive.archive import Archive, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.influx import InfluxArchive
from steadyhead.archive.influx_text import read_token
from steadyhead.config.model import Registry
from steadyhead.desk.desk import Desk
from steadyhead.diagnosis.causes import Knowledge, load_knowledge
from steadyhead.errors import ReportError
from steadyhead.store.database import Database, open_database
from steadyhead.weekly.from_data import DataSource
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import Written, make_report


class InfluxLike(Protocol):
    """Where InfluxDB is, of the service's settings."""

    @property
    def url(self) -> str: ...  # noqa: D102
    @property
    def org(self) -> str: ...  # noqa: D102
    @property
    def bucket(self) -> str: ...  # noqa: D102
    @property
    def token_file(self) -> Path | None: ...  # noqa: D102
    @property
    def timeout_s(self) -> float: ...  # noqa: D102


class SettingsLike(Protocol):
    """What is needed of the settings of a service (``live.settings.RoomSettings``)."""

    @property
    def data_folder(self) -> Path: ...  # noqa: D102
    @property
    def database_url(self) -> str | None: ...  # noqa: D102
    @property
    def database(self) -> str: ...  # noqa: D102
    @property
    def profiles(self) -> Path: ...  # noqa: D102
    @property
    def causes(self) -> Path | None: ...  # noqa: D102
    @property
    def readings_store(self) -> str: ...  # noqa: D102
    @property
    def influx(self) -> InfluxLike: ...  # noqa: D102
    @property
    def keep(self) -> Keep: ...  # noqa: D102
    @property
    def operators(self) -> int: ...  # noqa: D102


class RoomLike(Protocol):
    """What is needed of a running service (``live.room.Room``)."""

    registry: Registry
    knowledge: Knowledge
    database: Database
    archive: Archive
    desk: Desk
    profiles: Path


@contextmanager
def open_data(settings: SettingsLike, registry: Registry, stations: Sequence[str]) -> Iterator[DataSource]:
    """A service's archive and database, whether it runs or not.

    Raises ReportError if there is none in the folder, DatabaseError or ArchiveError if they cannot be opened.
    """
    folder = settings.data_folder
    if not folder.is_dir():
        raise ReportError(f"{folder}: there is no such data folder; name that of a service with --data")
    if settings.database_url is None and not (folder / "steadyhead.db").is_file():
        raise ReportError(
            f"{folder}: holds no database of a service; name its data folder with --data, or its settings "
            "with --settings where the database is elsewhere"
        )
    knowledge = load_knowledge(settings.causes)
    database = open_database(settings.database)
    try:
        archive = _archive(settings, {name: station.step_s for name, station in registry.stations.items()})
        try:
            desk = Desk(database, knowledge, registry, time.time, operators=settings.operators)
            yield DataSource(registry, knowledge, archive, database, desk, settings.profiles, stations)
        finally:
            archive.close()
    finally:
        database.close()


def _archive(settings: SettingsLike, steps_s: Mapping[str, int]) -> Archive:
    if settings.readings_store == "influx":
        influx = settings.influx
        token = read_token(influx.token_file) if influx.token_file is not None else ""
        return InfluxArchive(
            influx.url, influx.org, influx.bucket, token, steps_s, settings.keep, influx.timeout_s
        )
    return EmbeddedArchive(settings.data_folder, steps_s, settings.keep)


def write_week(room: RoomLike, week: Week, folder: Path, settings: ReportSettings | None = None) -> Written:
    """The report of a week from a running service, into a folder of its own below ``folder``.

    Raises as ``make_report`` does.
    """
    source = DataSource(room.registry, room.knowledge, room.archive, room.database, room.desk, room.profiles)
    return make_report(source, week, folder / str(week), settings or ReportSettings())
