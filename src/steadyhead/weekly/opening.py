"""Open a service's data for reading."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Protocol

from steadyhead.archive.archive import Keep
from steadyhead.archive.place import InfluxLike, ReadingsSettings, archive_place
from steadyhead.config.model import Registry
from steadyhead.desk.desk import Desk
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import ReportError
from steadyhead.store.database import open_database
from steadyhead.weekly.from_data import DataSource


class SettingsLike(ReadingsSettings, Protocol):
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
    def operators(self) -> int: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class DataPlace:
    """The settings of a service that are needed, and no others: what is handed to another process.

    Fields are those of ``SettingsLike``.
    """

    data_folder: Path
    readings_folder: Path
    database_url: str | None
    database: str
    profiles: Path
    causes: Path | None
    readings_store: str
    influx: InfluxLike
    keep: Keep
    operators: int

    @classmethod
    def of(cls, settings: SettingsLike) -> DataPlace:
        """Out of all settings."""
        return cls(*(getattr(settings, field.name) for field in fields(cls)))


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
        place = archive_place(settings)
        archive = place.open({name: station.step_s for name, station in registry.stations.items()})
        try:
            desk = Desk(database, knowledge, registry, time.time, operators=settings.operators)
            yield DataSource(registry, knowledge, archive, database, desk, settings.profiles, stations, place)
        finally:
            archive.close()
    finally:
        database.close()
