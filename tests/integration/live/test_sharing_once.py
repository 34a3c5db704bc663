"""What is to happen once in a fleet does, whoever is killed: messages, feeds, folders, the weekly report."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import cycle
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import psycopg
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from sharing_bench import SHARES, Fleet, push, wait_for
from tests.integration.feeds.conftest import Broker
from tests.knocks import plant
from worker_bench import FROM_S, HORIZON_S, Known, chosen_registry, items, known

from steadyhead.config import Registry, load_registry
from steadyhead.errors import JournalError
from steadyhead.live.clock import Clock
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.live.sharing.journal import ShareJournal
from steadyhead.live.sharing.layout import plan_of
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.live.sharing.watch import share_name
from steadyhead.readings.grid import to_grid
from steadyhead.weekly.kept import kept_report
from steadyhead.weekly.opening import open_data
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import make_report

sys.path.insert(0, str(Path(__file__).parents[1]))
from notify.receivers import HttpReceiver, answer

WAYS = {
    "gorge_road": "mqtt", "saltbush_flat": "mqtt", "cannery_road": "folder", "ferry_landing": "folder",
}  # fmt: skip
DAY_S = 86_400
DAYS = 5.25  # of readings: until the last of the alerts that the logs hold is over
TIMEOUT_S = 10
CLAIM_S = 5 * TIMEOUT_S + 21
"""After so long a message that was being sent is free to be tried again: five answers, 20 s to spare."""
WEEK = Week(2025, 44)
AFTER_WEEK_S = 1_762_236_000.0  # Tuesday 2025-11-04 06:00 UTC, when the report of week 44 is due everywhere

Facts = tuple[Path, Registry, Path, Known]


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    folder = tmp_path_factory.mktemp("facts")
    path, registry = chosen_registry(folder, *WAYS)
    found = known(registry, folder / "profiles")
    logs = {name: plant.until_day(log, FROM_S + DAYS * DAY_S) for name, log in found.logs.items()}
    readings = {name: to_grid(log, registry.stations[name]) for name, log in logs.items()}
    return path, registry, folder / "profiles", replace(found, logs=logs, readings=readings)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path / "broker")
    made.start()
    yield made
    made.stop()


def rows(url: str, asked: str, *values: Any) -> list[tuple[Any, ...]]:
    with psycopg.connect(url) as connection:
        return connection.execute(asked, values).fetchall()


def holder(url: str, name: str) -> str | None:
    found = rows(
        url, "SELECT m.name FROM holdings h JOIN members m ON m.id = h.owner WHERE h.name = %s", name
    )
    return found[0][0] if found else None


def position(url: str, source: str) -> dict[str, Any]:
    found = rows(url, "SELECT position FROM share_positions WHERE source = %s", source)
    return dict(found[0][0]) if found else {}


class Plant:
    """Two stations by a broker, two by log files, as ``WAYS`` says."""

    def __init__(self, folder: Path, url: str, broker: Broker, about: Known) -> None:
        self._logs, self._url, self._broker = folder / "logs", url, broker
        self._roles = {name: list(about.logs[name].series) for name in WAYS}
        self._readings = plant.readings_of(about.logs, list(WAYS))
        self._from_s = self._readings[0].at_s
        self._last: plant.Reading | None = None
        self._logs.mkdir()
        for name, way in WAYS.items():
            if way == "folder":
                (self._logs / f"{name}.csv").write_text(f"time,{','.join(self._roles[name])}\n")

    def send(self, from_day: float, to_day: float) -> None:
        """Some days of readings, a quarter of a day after the other."""
        quarter_s = DAY_S // 4
        for at_s in range(round(from_day * DAY_S), round(to_day * DAY_S), quarter_s):
            since_s = self._from_s + at_s
            part = [one for one in self._readings if since_s <= one.at_s < since_s + quarter_s]
            for name in self._roles:
                own = [one for one in part if one.station == name]
                if WAYS[name] == "folder" and own:
                    with (self._logs / f"{name}.csv").open("ab") as file:
                        file.write(plant.csv_lines(own, self._roles[name]))
            self.publish([one for one in part if WAYS[one.station] == "mqtt"])

    def publish(self, readings: Sequence[plant.Reading]) -> None:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="plant")
        client.max_inflight_messages_set(200)
        client.connect("127.0.0.1", self._broker.port)
        client.loop_start()
        try:
            for info in [client.publish(*plant.message(one), qos=1) for one in readings]:
                info.wait_for_publish(30)
                assert info.is_published()
        finally:
            client.disconnect()
            client.loop_stop()
        self._last = readings[-1]

    def is_read(self) -> bool:
        """Whether all that was sent is accepted."""
        assert self._last is not None
        last = [plant.message(self._last)[0], self._last.at_s * 1_000_000]
        if last not in position(self._url, "feed:plant").get("recent", ()):
            return False
        for name, way in WAYS.items():
            mark = position(self._url, f"folder:{name}").get("files", {}).get(f"{name}.csv", {})
            if way == "folder" and mark.get("taken") != (self._logs / f"{name}.csv").stat().st_size:
                return False
        return True

    def begin(self) -> None:
        """The first message, until somebody listens."""
        first = next(one for one in self._readings if WAYS[one.station] == "mqtt")

        def is_heard() -> bool:
            self.publish([first])
            return bool(position(self._url, "feed:plant"))

        wait_for(is_heard)


def in_background(act: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=act, daemon=True)
    thread.start()
    return thread


def test_messages_feeds_and_folders_over_kills_of_whoever_has_them(
    fleet: Fleet, facts: Facts, broker: Broker, tmp_path: Path
):
    path, _, _, about = facts
    (tmp_path / "mapping.yaml").write_text(plant.MAPPING)
    fleet.registry_path = tmp_path / "stations.yaml"
    fleet.registry_path.write_text(plant.registry_text(path, WAYS, about.logs))
    fleet.registry = load_registry(fleet.registry_path)
    sent = Plant(tmp_path, fleet.url, broker, about)

    def kill(holding: str) -> None:
        """Kill -9 of whoever has it."""
        name = holder(fleet.url, holding)
        assert name is not None
        fleet.workers.pop(name).kill()

    released = threading.Event()

    def hold(handler: Any) -> None:
        released.wait(60)
        answer(204)(handler)

    with HttpReceiver() as receiver:
        fleet.more = {
            "ahead_s": AFTER_WEEK_S - time.time(), "watch_folders": True, "poll_s": 0.2,
            "feeds": {
                "plant": {
                    "kind": "mqtt", "mapping": str(tmp_path / "mapping.yaml"), "host": "127.0.0.1",
                    "port": broker.port, "topics": ["plant/#"],
                }
            },
            "notify": {
                "not_older_than_h": 8760, "trying": {"first_wait_s": 0.2},
                "web_hooks": {"desk": {"url": receiver.url, "timeout_s": TIMEOUT_S}},
                "rules": [{"channels": "desk"}],
            },
        }  # fmt: skip
        fleet.start_all("a", "b", "c")
        fleet.wait_until_all_is_owned_by("a", "b", "c")
        sent.begin()
        sent.send(0, 1)
        wait_for(lambda: bool(receiver.requests))  # of the loss of telemetry in the first hour

        # whoever sends is killed while the receiver has a message and has not answered
        n_before = len(receiver.requests)
        receiver.then = [hold]
        sent.send(1, 2)  # a drift is raised
        wait_for(lambda: len(receiver.requests) > n_before)
        kill("notify")
        receiver.then = [answer(204)]
        released.set()
        wait_for(lambda: holder(fleet.url, "notify") in fleet.workers)
        for worker in fleet.workers.values():
            worker.ask(move=CLAIM_S)
        fleet.more["ahead_s"] += CLAIM_S

        # whoever has the feed is killed in the middle of it
        at = position(fleet.url, "feed:plant")
        sending = in_background(lambda: sent.send(2, 3.5))
        wait_for(lambda: position(fleet.url, "feed:plant") != at)
        kill("feed:plant")
        fleet.start("d")
        sending.join()

        # whoever reads a log file is killed in the middle of it
        at = position(fleet.url, "folder:cannery_road")
        sending = in_background(lambda: sent.send(3.5, DAYS))
        wait_for(lambda: position(fleet.url, "folder:cannery_road") != at)
        kill(share_name(plan_of(fleet.registry, SHARES).share_of["cannery_road"]))
        sending.join()
        wait_for(sent.is_read)
        open_ones = "SELECT count(*) FROM outbox WHERE sent_s IS NULL AND gave_up_s IS NULL"
        for worker in fleet.workers.values():
            worker.ask(drain=True)
        wait_for(lambda: rows(fleet.url, open_ones) == [(0,)])
        fleet.finish()
    fleet.compare(about)

    # every reading once, by the counts of what was accepted
    counted: Counter[str] = Counter()
    for source, n in rows(fleet.url, "SELECT source, sum(accepted) FROM share_counts GROUP BY source"):
        counted[source] = int(n)
    expected: Counter[str] = Counter()
    for name, log in about.logs.items():
        source = "feed:plant" if WAYS[name] == "mqtt" else f"folder:{name}"
        expected[source] += sum(int((s.values == s.values).sum()) for s in log.series.values())
    assert counted == expected

    # every message, under one key each; only the one that was being sent has come twice
    keys: dict[tuple[str, str], set[str]] = defaultdict(set)
    bodies: dict[str, set[bytes]] = defaultdict(set)
    for request in receiver.requests:
        told = json.loads(request.body)
        key = request.headers["Idempotency-Key"]
        bodies[key].add(request.body)
        for item in told["changes"]:
            keys[item["alert"]["alert_id"], item["change"]].add(key)
    alerts = about.alerts(fleet.registry)
    over = {name for name, one in alerts.items() if one[-1] is not None}
    assert set(keys) == {(name, "raised") for name in alerts} | {(name, "cleared") for name in over}
    assert {len(found) for found in keys.values()} == {1}, keys
    assert {len(found) for found in bodies.values()} == {1}
    assert len(receiver.requests) == len(bodies) + 1


def test_rows_of_a_log_file_whose_commit_was_not_answered_are_not_taken_again(
    facts: Facts, tmp_path: Path, postgres_url: str, monkeypatch: pytest.MonkeyPatch
):
    """The database goes away between the commit and its answer, so nobody knows whether it was made."""
    path, _, profiles, about = facts
    ways = {name: "folder" if name == "cannery_road" else "mqtt" for name in WAYS}
    (tmp_path / "stations.yaml").write_text(plant.registry_text(path, ways, about.logs))
    log, roles = about.logs["cannery_road"], list(about.logs["cannery_road"].series)
    (tmp_path / "logs").mkdir()
    lines = plant.csv_lines(plant.readings_of({"cannery_road": log}, ["cannery_road"]), roles)
    (tmp_path / "logs" / "cannery_road.csv").write_bytes(f"time,{','.join(roles)}\n".encode() + lines)
    lost: list[int] = []

    def append(self: ShareJournal, kind: str, *given: Any) -> int:
        known_no, listened_s = self._last_no, self._listened_s
        no = real(self, kind, *given)
        if kind == "readings" and not lost:
            lost.append(no)
            self._last_no, self._listened_s, self.is_unsure = known_no, listened_s, True
            raise JournalError("the answer is lost")
        return no

    real = ShareJournal.append
    monkeypatch.setattr(ShareJournal, "append", append)
    room = open_room(
        RoomSettings(
            data_folder=tmp_path / "data", profiles=profiles, database_url=postgres_url, poll_s=0.1,
            checkpoint_s=0.5, sharing=SharingSettings(folder=tmp_path / "shared", shares=SHARES),
        ),
        load_registry(tmp_path / "stations.yaml"),
    )  # fmt: skip
    try:
        room.start()
        wait_for(lambda: bool(lost))
        wait_for(lambda: "files" in position(postgres_url, "folder:cannery_road"))
        time.sleep(1.0)  # ten looks more
        states = room.rounds._holdings.states()  # type: ignore[attr-defined]
        assert states["folder:cannery_road"].state == "ok"
    finally:
        room.stop()
        (profiles / "fleet-id").unlink(missing_ok=True)
    n = sum(int((s.values == s.values).sum()) for s in log.series.values())
    assert rows(postgres_url, "SELECT source, accepted, late FROM share_counts") == [
        ("folder:cannery_road", n, 0)
    ]


def test_the_weekly_report_is_made_once_and_is_that_of_one_process(
    fleet: Fleet, facts: Facts, tmp_path: Path
):
    _, registry, profiles, about = facts
    reports = tmp_path / "reports"
    settings = ReportSettings(is_made=True, folder=reports, has_pdf=False)
    fleet.more = {"ahead_s": AFTER_WEEK_S - time.time(), "report": settings.model_dump(mode="json")}
    fleet.start_all("a", "b")
    everything = items(list(about.logs.values()), 4, 0.0)
    turns = cycle(list(fleet.workers.values()))
    for first in range(0, len(everything), 5000):
        push(turns, everything[first : first + 5000])
    fleet.settle()

    first, second = reporting(fleet, "a", "b")
    wait_for(lambda: bool(first.ask(reporting="look")["is_at_work"]))
    first.kill()  # in the middle of making it
    fleet.workers = {name: one for name, one in fleet.workers.items() if one is second}
    wait_for(lambda: bool(second.ask(reporting=True)["has_task"]))
    assert kept_report(reports, WEEK) is None
    wait_for(lambda: bool(second.ask(reporting="look")["is_at_work"]))
    wait_for(lambda: kept_report(reports, WEEK) is not None)
    made = (reports / str(WEEK) / "report.json").read_bytes()
    # one that takes the task over when the report is there makes none
    third = fleet.start("c")
    second.quit()
    fleet.workers = {"c": third}
    wait_for(lambda: bool(third.ask(reporting=True)["has_task"]))
    for _ in range(10):
        time.sleep(0.1)
        assert not third.ask(reporting="look")["is_at_work"]
    asked = rows(fleet.url, "SELECT who, subject FROM audit WHERE what = 'report_asked'")
    assert asked == [("clock", str(WEEK))] * 2  # by the one that was killed, and by the one that made it
    assert (reports / str(WEEK) / "report.json").read_bytes() == made
    assert {path.name for path in reports.iterdir()} == {"fleet-id", str(WEEK)}
    data = judged_alone(tmp_path / "alone", profiles, registry, everything)
    with open_data(data, registry, ()) as source:
        made_s = kept_report(reports, WEEK).made_s  # type: ignore[union-attr]
        make_report(source, WEEK, tmp_path / "single", settings, made_s=made_s)
    found = json.loads(made)
    assert found == json.loads((tmp_path / "single" / "report.json").read_bytes())
    assert found["work"]


def reporting(fleet: Fleet, *names: str) -> list[Any]:
    """The processes, the one that has the task of the report first."""
    workers = [fleet.workers[name] for name in names]
    wait_for(lambda: any(one.ask(reporting=True)["has_task"] for one in workers))
    return sorted(workers, key=lambda one: not one.ask(reporting=True)["has_task"])


def judged_alone(
    folder: Path, profiles: Path, registry: Registry, everything: list[dict[str, Any]]
) -> RoomSettings:
    """One process by itself that gets the same; the settings under which its data are found."""
    settings = RoomSettings(data_folder=folder, profiles=profiles, watch_folders=False, checkpoint_s=0.5)
    moved = [0.0]
    clock = Clock(lambda: AFTER_WEEK_S + moved[0], lambda: time.monotonic() + moved[0])
    room = open_room(settings, registry, clock=clock)
    room.start()
    try:
        for first in range(0, len(everything), 5000):
            room.intake.push_json(json.dumps(everything[first : first + 5000]).encode(), "test")
        for _ in range(3):
            moved[0] += HORIZON_S + 1
            room.intake.mark()
            wait_for(lambda: room.runner.status().done_no >= room.journal.last_no)
    finally:
        room.stop()
    return settings
