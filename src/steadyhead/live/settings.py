"""Settings of the service: one YAML file, every key optional, every mistake reported with its line."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from steadyhead.access.factor_key import FILE_NAME
from steadyhead.access.settings import AccessSettings
from steadyhead.archive.archive import Keep
from steadyhead.config.fields import Number
from steadyhead.config.load import model_mistakes, raise_mistakes
from steadyhead.config.marked_yaml import read_marked
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part
from steadyhead.feeds.settings import FeedSettings, read_feeds
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.notify.settings import NotifySettings
from steadyhead.outward.settings import OutSettings
from steadyhead.types import Condition
from steadyhead.weekly.settings import ReportSettings

LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})
_PATHS = ("data_folder", "profiles", "causes")


class InfluxSettings(Part):
    """Where InfluxDB 2 is; the token stands alone in a file, so that no secret is in the settings."""

    url: str = "http://127.0.0.1:8086"
    org: str = "steadyhead"
    bucket: str = "steadyhead"
    token_file: Path | None = None
    timeout_s: Annotated[Number, Field(gt=0, le=600)] = 10.0


class RoomSettings(Part):
    """All settings of ``steadyhead serve``. docs/service.md explains each.

    host, port : where pages and readings are served
    open_to_network : must be true for a host that others can reach; nothing is open by default
    data_folder : journal, readings, what was refused or late, and the database unless database_url is given
    profiles : folder of learned profiles; causes : a utility's own causes.yaml, or None
    horizon_s : how late a reading may be and still be placed and judged [s]
    silence_s : after how long without readings a station's rows count as empty [s]; None follows the
        rhythm in which each station delivers
    future_s : how far ahead of the clock a reading may be [s]
    keep_full_days, keep_thinned_days : as ``archive.Keep``
    readings_store : "embedded" (Parquet files in the data folder) or "influx"
    watch_folders : read the registry's log files as they grow; poll_s : how often to look [s]
    checkpoint_s : how often states and readings are made safe [s]; a restart replays at most this much
    feeds : sources that connect (SQL, MQTT ...), by name; docs/feeds/ explains each
    alerts_out : brokers and time series that are told of alerts; docs/feeds/alerts_out.md
    learn_days : days of readings after which learning is offered
    learn_by_itself : learn without being asked when there are so many
    latching : conditions whose alerts stay after they have cleared, until somebody resets them
    operators : people on duty among whom alerts are shared, for the alarm-load figures
    quarantine_mb_per_day : refused readings kept for each day; beyond it they are only counted
    journal_max_mb : size of the journal at which readings are refused, so that the disk does not fill
    report : the weekly report, as ``weekly.settings``; docs/report.md explains each
    sharing : how several processes share the stations, or None for one alone; docs/sharing.md explains each
    """

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 8470
    open_to_network: bool = False
    data_folder: Path = Path("data")
    database_url: str | None = None
    profiles: Path = Path("out/profiles")
    causes: Path | None = None
    horizon_s: Annotated[int, Field(ge=1, le=7 * 86400)] = 300
    silence_s: Annotated[int, Field(ge=1, le=30 * 86400)] | None = None
    future_s: Annotated[int, Field(ge=0, le=86400)] = 300
    keep_full_days: Annotated[int, Field(ge=1)] = 400
    keep_thinned_days: Annotated[int, Field(ge=1)] = 3650
    readings_store: Literal["embedded", "influx"] = "embedded"
    influx: InfluxSettings = InfluxSettings()
    watch_folders: bool = True
    poll_s: Annotated[Number, Field(gt=0, le=3600)] = 10.0
    checkpoint_s: Annotated[Number, Field(gt=0, le=3600)] = 300.0
    learn_days: Annotated[int, Field(ge=3, le=400)] = 21
    learn_by_itself: bool = False
    latching: tuple[Condition, ...] = ()
    operators: Annotated[int, Field(ge=1, le=1000)] = 1
    quarantine_mb_per_day: Annotated[Number, Field(ge=0)] = 64.0
    journal_max_mb: Annotated[Number, Field(gt=0)] = 4096.0
    feeds: dict[str, FeedSettings] = Field(default_factory=dict)
    access: AccessSettings = AccessSettings()
    notify: NotifySettings = NotifySettings()
    alerts_out: OutSettings = OutSettings()
    report: ReportSettings = ReportSettings()
    sharing: SharingSettings | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> RoomSettings:
        found: list[tuple[tuple[str | int, ...], str]] = []
        if self.host not in LOOPBACK and not self.open_to_network:
            text = (
                f'"{self.host}" lets other machines reach the service; keep 127.0.0.1 behind a proxy that '
                "does TLS, or add open_to_network: true if the network is trusted"
            )
            found.append((("host",), text))
        if self.silence_s is not None and self.silence_s < self.horizon_s:
            found.append((("silence_s",), f"{self.silence_s} is below horizon_s, {self.horizon_s}; raise it"))
        if self.keep_thinned_days < self.keep_full_days:
            text = f"{self.keep_thinned_days} is below keep_full_days, {self.keep_full_days}; raise it"
            found.append((("keep_thinned_days",), text))
        if self.readings_store == "influx" and self.influx.token_file is None:
            found.append(
                (("influx",), "has no token_file; name the file that holds the token and nothing else")
            )
        if self.sharing is not None:
            found += self._cannot_share(self.sharing)
        if found:
            raise ModelError(found)
        return self

    def _cannot_share(self, sharing: SharingSettings) -> list[tuple[tuple[str | int, ...], str]]:
        found: list[tuple[tuple[str | int, ...], str]] = []
        if self.database_url is None or self.database_url.startswith("sqlite"):
            text = (
                "needs a PostgreSQL, since SQLite is for one process; set database_url to such as "
                "postgresql://user@host:5432/name, or remove sharing"
            )
            found.append((("sharing",), text))
        if self.readings_store == "embedded" and sharing.folder is None:
            text = (
                "has no folder for readings; name one under sharing.folder that all processes reach, or set "
                "readings_store: influx"
            )
            found.append((("sharing",), text))
        return found

    @property
    def database(self) -> str:
        """URL of the database: the one given, or a file in the data folder."""
        return self.database_url or f"sqlite:///{(self.data_folder / 'steadyhead.db').absolute()}"

    @property
    def factor_key_file(self) -> Path | None:
        """Where the key of second factors is; None where processes share and would each make their own."""
        named = self.access.second_factor_key_file
        return named or (None if self.sharing is not None else self.data_folder / FILE_NAME)

    @property
    def readings_folder(self) -> Path:
        """Folder of the embedded archive: the data folder, or the one that several processes share."""
        shared = None if self.sharing is None else self.sharing.folder
        return self.data_folder if shared is None else shared

    @property
    def keep(self) -> Keep:
        """How long readings are kept."""
        return Keep(self.keep_full_days, self.keep_thinned_days)


def load_settings(path: Path | None) -> RoomSettings:
    """Settings from a YAML file; the defaults if ``path`` is None.

    Folders in the file are relative to the file's own folder.
    Raises RegistryError that lists every mistake with its line.
    """
    if path is None or _says_nothing(path):
        return RoomSettings()
    marked = read_marked(path)
    feeds, wrong = read_feeds(marked)
    mistakes = [*marked.repeats, *wrong]
    data: Any = {} if marked.data is None else marked.data
    if isinstance(data, dict):
        data = {key: value for key, value in data.items() if key != "feeds"}
    settings = RoomSettings()
    try:
        settings = RoomSettings.model_validate(data)
    except ValidationError as exc:
        # texts of the registry's loader point at the registry's manual; this file has its own
        mistakes += [
            replace(found, text=found.text.replace("docs/registry.md", "docs/service.md"))
            for found in model_mistakes(exc, RoomSettings, marked)
        ]
    raise_mistakes(mistakes, marked.file)
    return _beside(settings.model_copy(update={"feeds": feeds}), path.parent)


def _says_nothing(path: Path) -> bool:
    """Whether all lines are empty or comments: a settings file in which nothing is set is in order."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError):
        return False  # whoever reads it next says what is wrong with it
    return all(not line.strip() or line.lstrip().startswith("#") for line in lines)


def _beside(settings: RoomSettings, folder: Path) -> RoomSettings:
    given = settings.model_fields_set
    moved: dict[str, Any] = {
        name: folder / getattr(settings, name)
        for name in _PATHS
        if name in given and getattr(settings, name) is not None
    }
    token = settings.influx.token_file
    if token is not None:
        moved["influx"] = settings.influx.model_copy(update={"token_file": folder / token})
    key_file = settings.access.second_factor_key_file
    if key_file is not None:
        moved["access"] = settings.access.model_copy(update={"second_factor_key_file": folder / key_file})
    moved["feeds"] = {name: feed.beside(folder) for name, feed in settings.feeds.items()}
    moved["alerts_out"] = settings.alerts_out.beside(folder)
    moved["notify"] = settings.notify.beside(folder)
    sharing = settings.sharing
    if sharing is not None and sharing.folder is not None:
        moved["sharing"] = sharing.model_copy(update={"folder": folder / sharing.folder})
    if "folder" in settings.report.model_fields_set:
        moved["report"] = settings.report.model_copy(update={"folder": folder / settings.report.folder})
    return settings.model_copy(update=moved)
