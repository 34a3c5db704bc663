"""Where an archive is, as plain data that another process can open it by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from steadyhead.archive.archive import Archive, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.influx import InfluxArchive
from steadyhead.archive.influx_text import read_token

SHARED = "places.json"
"""A folder that holds this is that of several processes: ``archive.shares``."""


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


class ReadingsSettings(Protocol):
    """What says where readings are kept, of the service's settings."""

    @property
    def readings_folder(self) -> Path: ...  # noqa: D102
    @property
    def readings_store(self) -> str: ...  # noqa: D102
    @property
    def influx(self) -> InfluxLike: ...  # noqa: D102
    @property
    def keep(self) -> Keep: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class ArchivePlace:
    """An archive by its whereabouts.

    store : "embedded" or "influx"
    folder : of the embedded one; url, org, bucket, token_file, timeout_s : of InfluxDB
    The token stays in its file: whoever opens the archive reads it there.
    """

    store: str
    folder: Path
    keep: Keep
    url: str = ""
    org: str = ""
    bucket: str = ""
    token_file: Path | None = None
    timeout_s: float = 10.0

    def open(self, steps_s: Mapping[str, int]) -> Archive:
        """The archive, with the grid step of each station. Raises ArchiveError if it cannot be opened."""
        if self.store == "influx":
            token = read_token(self.token_file) if self.token_file is not None else ""
            return InfluxArchive(self.url, self.org, self.bucket, token, steps_s, self.keep, self.timeout_s)
        if (self.folder / SHARED).exists():
            from steadyhead.archive.shares import FleetArchive, read_places  # it builds on this module

            return FleetArchive(self, steps_s, lambda: read_places(self.folder), lambda _: None)
        return EmbeddedArchive(self.folder, steps_s, self.keep)


def archive_place(settings: ReadingsSettings) -> ArchivePlace:
    """Where the settings of a service say that readings are kept; paths are made absolute."""
    folder = settings.readings_folder.absolute()
    if settings.readings_store == "embedded":
        return ArchivePlace("embedded", folder, settings.keep)
    influx = settings.influx
    token_file = None if influx.token_file is None else influx.token_file.absolute()
    return ArchivePlace(
        "influx", folder, settings.keep, influx.url, influx.org, influx.bucket, token_file, influx.timeout_s
    )
