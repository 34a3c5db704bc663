"""A room for tests of the API: real database, accounts and desk; archive, intake and runner are stand-ins."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
from fastapi.testclient import TestClient

from steadyhead.access.accounts import Accounts
from steadyhead.access.factor_key import FILE_NAME, FactorKey
from steadyhead.access.settings import AccessSettings
from steadyhead.alerts.model import Verdict
from steadyhead.archive.archive import Buckets, Series2
from steadyhead.config import parse_registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import LearningError
from steadyhead.live.intake import PushAnswer
from steadyhead.live.room import Room
from steadyhead.live.views import Learning, RunnerStatus, StationView
from steadyhead.notify.settings import NotifySettings
from steadyhead.outward.settings import OutSettings
from steadyhead.readings.frame import CHANNELS, Readings, regular
from steadyhead.store.database import Database, open_database
from steadyhead.weekly.reporter import Reporter
from steadyhead.weekly.settings import ReportSettings

NOW_S = 1_760_680_800  # 2025-10-17 06:00:00 UTC
HOST = "http://127.0.0.1:8470"
WORDS = "copper kettle on the hob"
PEOPLE = {"vera": "viewer", "olaf": "operator", "ella": "engineer", "adam": "administrator"}

REGISTRY = """
utility: Marrow Vale Water
settings: {display_units: psi_gpm}
defaults:
  time_zone: UTC
  step_s: 60
  sources: [{path: "{station}.csv"}]
stations:
  elm_street:
    zone: low_town
    tags:
      inlet: {tag: PT1, unit: kPa}
      outlet: {tag: PT2, unit: kPa}
      flow: {tag: FT1, unit: L/s}
  mill_weir:
    zone: low_town
    tags: {outlet: {tag: PT2, unit: kPa}}
  quarry_hill:
    zone: high_town
    tags: {outlet: {tag: PT2, unit: bar}}
"""


class Clock:
    def __init__(self) -> None:
        self.now_s = float(NOW_S)

    def __call__(self) -> float:
        return self.now_s


class FakeArchive:
    """Readings in memory; ``series`` cuts them into equal buckets the slow and obvious way."""

    def __init__(self) -> None:
        self.held: dict[str, Readings] = {}
        self.read_rows = 0
        self.is_thinned = False

    def read(self, station: str, from_s: int, to_s: int) -> Readings:
        held = self.held.get(station)
        if held is None:
            return regular(station, 0, 60, np.zeros(0))
        found = held.between(from_s, to_s)
        self.read_rows += len(found)
        return found

    def extent(self, station: str) -> tuple[int, int] | None:
        held = self.held.get(station)
        return None if held is None else (held.start_s, held.end_s - held.step_s)

    def series(self, station: str, from_s: int, to_s: int, points: int) -> Series2:
        bucket_s = max(60, -(-(to_s - from_s) // points))
        ends = np.arange(from_s + bucket_s, to_s + bucket_s, bucket_s, dtype=np.int64)
        held = self.held.get(station)
        channels: dict[str, Buckets] = {}
        for name in CHANNELS:
            table = np.full((3, len(ends)), np.nan)
            if held is not None:
                times, values = held.times_s, getattr(held, name)
                for k, end in enumerate(ends):
                    inside = values[(times > end - bucket_s) & (times <= min(end, to_s))]
                    inside = inside[np.isfinite(inside)]
                    if len(inside):
                        table[:, k] = inside.min(), inside.mean(), inside.max()
            channels[name] = Buckets(*table)
        return Series2(station, ends, bucket_s, channels, self.is_thinned)


class FakeIntake:
    """Answers what it is told to, and remembers what it was given."""

    def __init__(self) -> None:
        self.answer: PushAnswer | Exception = PushAnswer(2, 0, [])
        self.given: list[tuple[str, bytes, str]] = []

    def _take(self, kind: str, body: bytes, source: str) -> PushAnswer:
        self.given.append((kind, body, source))
        if isinstance(self.answer, Exception):
            raise self.answer
        return self.answer

    def push_json(self, body: bytes, source: str) -> PushAnswer:
        return self._take("json", body, source)

    def push_lines(self, body: bytes, precision: str, source: str) -> PushAnswer:
        return self._take(f"lines {precision}", body, source)


def status(**changed: Any) -> RunnerStatus:
    usual: dict[str, Any] = {
        "state": "running", "words": "judging as readings come", "journal_no": 41, "done_no": 40,
        "backlog_items": 3, "backlog_s": 0.5, "journal_bytes": 4096, "disk_free_bytes": 10**9,
        "last_data_s": NOW_S - 60, "database_ok": True, "database_words": None, "archive_ok": True,
        "archive_words": None, "journal_ok": True, "journal_words": None, "accepted": 1000, "late": 5,
        "refused": 7, "judged_rows": 900, "clock_off_s": 0.0,
    }  # fmt: skip
    names = RunnerStatus.__dataclass_fields__
    return RunnerStatus(**{k: v for k, v in {**usual, **changed}.items() if k in names})


class FakeRunner:
    def __init__(self, names: list[str], zones: dict[str, str | None]) -> None:
        self.now = status()
        self.zones = zones
        self.names = names
        self.learned: list[Any] = []
        self.learn_answer: Any = LearningError("elm_street: 9 days of readings, wanted 14; wait for more")

    def status(self) -> RunnerStatus:
        return self.now

    def stations(self, names: Any = None) -> dict[str, StationView]:
        return {name: self._view(name) for name in (self.names if names is None else names)}

    def last_seen(self) -> dict[str, int | None]:
        return {name: view.last_s for name, view in self.stations().items()}

    def _view(self, name: str) -> StationView:
        learning = (
            Learning(9.0, 21, "learning: needs 12 more days", None, None) if name != "elm_street" else None
        )
        values: dict[str, Any] = {
            "station": name, "zone": self.zones[name], "last_s": NOW_S - 60, "inlet_kpa": 650.0,
            "outlet_kpa": 400.0, "flow_lps": 12.0, "command_kpa": None, "expected_kpa": 401.0,
            "regime": "regulating", "words": "regulating", "profile_version": None if learning else "abc",
            "learning": learning, "behind_s": 60.0,
        }  # fmt: skip
        for when in StationView.__dataclass_fields__:
            values.setdefault(when, NOW_S - 60 if when.endswith("_s") else None)
        return StationView(**values)

    def learn(
        self, station: str, from_s: int | None = None, to_s: int | None = None, *, who: str = ""
    ) -> Any:
        self.learned.append((station, from_s, to_s, who))
        if isinstance(self.learn_answer, Exception):
            raise self.learn_answer
        return self.learn_answer


@dataclass
class RoomForTests:
    """The room and its stand-ins, by their own types."""

    room: Room
    clock: Clock
    archive: FakeArchive
    intake: FakeIntake
    runner: FakeRunner
    database: Database
    secrets: dict[str, str] = field(default_factory=dict)


class StandInRoom(Room):
    """Starting and stopping do nothing: there is nothing to run."""

    def start(self) -> None:
        pass

    def stop(self) -> None:
        pass


def template(folder: Path) -> Path:
    """A database with one account of each role, made once for all tests."""
    path = folder / "template.db"
    database = open_database(f"sqlite:///{path}")
    accounts = Accounts(database, Clock())
    for name, role in PEOPLE.items():
        accounts.create(name, role, WORDS)  # type: ignore[arg-type]
    database.close()
    return path


def make_room(folder: Path, made: Path, **access: Any) -> RoomForTests:
    path = folder / "steadyhead.db"
    shutil.copy(made, path)
    database = open_database(f"sqlite:///{path}")
    clock, news = Clock(), News()
    registry = parse_registry(REGISTRY)
    settings = SimpleNamespace(
        access=AccessSettings(**access), notify=NotifySettings(), alerts_out=OutSettings(), latching=()
    )
    archive, intake = FakeArchive(), FakeIntake()
    runner = FakeRunner(list(registry.stations), registry.zones())
    knowledge = load_knowledge()
    given: dict[str, Any] = {
        "settings": settings, "folder": folder, "registry": registry, "knowledge": knowledge,
        "database": database, "archive": archive, "profiles": folder / "profiles",
        "desk": Desk(database, knowledge, registry, clock, news=news),
        "accounts": Accounts(database, clock, settings.access, FactorKey(folder / FILE_NAME)),
        "intake": intake, "runner": runner,
        "news": news, "clock": clock, "outward": SimpleNamespace(errors={}),
        "reporter": Reporter(ReportSettings(folder=folder / "reports"), clock),
    }  # fmt: skip
    for name in Room.__dataclass_fields__:
        given.setdefault(name, None)
    return RoomForTests(StandInRoom(**given), clock, archive, intake, runner, database)


def verdict(
    station: str = "elm_street", condition: Any = "drift", raised_s: int = NOW_S - 3600, **more: Any
) -> Verdict:
    usual: dict[str, Any] = {
        "station": station, "condition": condition, "confidence": 0.82, "runners_up": (),
        "magnitude": {"departure_kpa": -22.0}, "evidence": ("The outlet is 22 kPa below what was learned.",),
        "began_s": raised_s - 1800, "raised_s": raised_s, "ended_s": None, "updated_s": raised_s,
        "profile_version": "abc", "window_s": (raised_s - 7200, raised_s), "facts": {"set_kpa": 400.0},
        "traits": {"direction": "down"},
    }  # fmt: skip
    return Verdict(**{**usual, **more})


def sign_in(client: TestClient, name: str, password: str = WORDS, **form: str) -> Any:
    """Fetch the form and send it, as a browser does."""
    page = client.get("/login")
    field = re.search(r'name="csrf" value="([0-9a-f]+)"', page.text)
    sent = {"name": name, "password": password, "csrf": field.group(1) if field else "", **form}
    return client.post("/login", data=sent, follow_redirects=False)
