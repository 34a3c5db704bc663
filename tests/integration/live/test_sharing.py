"""Several processes share a fleet: killed, paused, stopped, they lose no alert and tell none twice."""

from __future__ import annotations

import json
import random
import signal
import threading
import time
from collections import Counter
from itertools import cycle
from pathlib import Path
from typing import Any

import pytest
from sharing_bench import LEASE_S, RENEW_S, SHARES, Fleet, push, wait_for
from worker_bench import FROM_S, HORIZON_S, Known, batches, chosen_registry, items, known

from steadyhead.config import Registry, load_registry
from steadyhead.errors import NotFoundError, SteadyheadError
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.live.sharing.layout import plan_of
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.types import CONDITIONS
from steadyhead.weekly.settings import ReportSettings

SHUFFLED_S = HORIZON_S - 61
STATIONS = ("gorge_road", "cannery_road", "ferry_landing", "saltbush_flat", "harbour_east", "harbour_west")
TAKING_UP_S = 10.0  # reading checkpoints and beginning, on a machine that does other things too

Facts = tuple[Path, Registry, Path, Known]


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> Facts:
    folder = tmp_path_factory.mktemp("facts")
    path, registry = chosen_registry(folder, *STATIONS)
    return path, registry, folder / "profiles", known(registry, folder / "profiles")


def test_killed_paused_and_stopped_in_order(fleet: Fleet, facts: Facts):
    _, _, _, about = facts
    todo = list(batches(items(list(about.logs.values()), 1, SHUFFLED_S), 1, 3000))
    fleet.start_all("a", "b", "c")
    fleet.wait_until_all_is_owned_by("a", "b", "c")
    quarter = len(todo) // 4
    rng = random.Random(1)
    took = {}

    # killed in the middle of a push, and none told but the lease
    turns = cycle(list(fleet.workers.values()))
    for batch in todo[:quarter]:
        push(turns, batch)
    dead = fleet.workers.pop("b")
    killer = threading.Timer(rng.uniform(0.0, 0.1), dead.process.kill)
    killer.start()
    push(iter([dead, *fleet.workers.values(), *fleet.workers.values()]), todo[quarter])
    killer.join()
    dead.kill()
    killed_at = time.monotonic()
    turns = cycle(list(fleet.workers.values()))
    for batch in todo[quarter + 1 : 2 * quarter]:
        push(turns, batch)
    fleet.wait_until_all_is_owned_by("a", "c")
    took["killed"] = time.monotonic() - killed_at

    # paused for longer than the lease, taken over, and revived: it may not write, and begins anew
    paused = fleet.workers.pop("c")
    for batch in todo[2 * quarter : 2 * quarter + 2]:
        push(iter([paused]), batch)
    paused.process.send_signal(signal.SIGSTOP)
    paused_at = time.monotonic()
    turns = cycle(list(fleet.workers.values()))
    for batch in todo[2 * quarter + 2 : 3 * quarter]:
        push(turns, batch)
    fleet.wait_until_all_is_owned_by("a")
    took["paused"] = time.monotonic() - paused_at
    paused.process.send_signal(signal.SIGCONT)
    fleet.workers["c"] = paused
    fleet.wait_until_all_is_owned_by("a", "c")

    # stopped in order: taken over at once, without waiting for any lease
    leaving = fleet.workers.pop("a")
    turns = cycle(list(fleet.workers.values()))
    for batch in todo[3 * quarter : 3 * quarter + 3]:
        push(turns, batch)
    leaving.quit()
    has_ended_at = time.monotonic()
    fleet.wait_until_all_is_owned_by("c")
    took["stopped"] = time.monotonic() - has_ended_at
    for batch in todo[3 * quarter + 3 :]:
        push(turns, batch)

    fleet.finish()
    fleet.compare(about)
    noticed_s = SharingSettings(lease_s=LEASE_S, renew_s=RENEW_S).noticed_within_s
    assert took["killed"] < noticed_s + TAKING_UP_S, took
    assert took["paused"] < noticed_s + TAKING_UP_S, took
    assert took["stopped"] < 2 * RENEW_S + TAKING_UP_S, took


def test_a_database_that_restarts_and_a_registry_that_divides_the_stations_anew(
    tmp_path: Path, facts: Facts, own_postgres_server: Any
):
    path, registry, profiles, about = facts
    server = own_postgres_server
    server.execute("CREATE DATABASE steadyhead")
    fleet = Fleet(tmp_path, server.url("steadyhead"), path, registry, profiles)
    todo = list(batches(items(list(about.logs.values()), 2, SHUFFLED_S), 2, 3000))
    third = len(todo) // 3
    try:
        fleet.start_all("a", "b")
        fleet.wait_until_all_is_owned_by("a", "b")
        turns = cycle(list(fleet.workers.values()))
        for batch in todo[: third - 2]:
            push(turns, batch)
        server.stop()  # in the middle of whatever they are doing
        answer = fleet.workers["a"].ask(push=todo[third - 2])
        assert answer["kind"] == "JournalError"
        assert "cannot be accepted now" in answer["error"]
        wait_for(lambda: fleet.workers["b"].ask(status=True)["state"] == "waiting")
        server.start()
        for batch in todo[third - 2 : 2 * third]:
            push(turns, batch)
        # both die with readings accepted and not judged, and a zone gets another name meanwhile
        for worker in fleet.workers.values():
            worker.kill()
        fleet.workers.clear()
        text = path.read_text().replace("zone: harbour", "zone: old_harbour")
        fleet.registry_path = tmp_path / "stations.yaml"
        fleet.registry_path.write_text(text)
        renamed = load_registry(fleet.registry_path)
        before, after = plan_of(registry, SHARES), plan_of(renamed, SHARES)
        assert before.share_of["harbour_east"] != after.share_of["harbour_east"]
        fleet.start_all("c", "d")
        fleet.wait_until_all_is_owned_by("c", "d")
        turns = cycle(list(fleet.workers.values()))
        for batch in todo[2 * third :]:
            push(turns, batch)
        fleet.finish()
        fleet.compare(about)
    finally:
        fleet.end()
        (profiles / "fleet-id").unlink(missing_ok=True)


def refusal(fleet: Fleet, **more: Any) -> str:
    """What a process says that cannot begin."""
    sharing = more.pop("sharing", {})
    if sharing is not None:
        sharing = {"folder": fleet.folder / "shared", "shares": SHARES, **sharing}
    given = {"profiles": fleet.profiles, "database_url": fleet.url, "sharing": sharing, **more}
    try:
        settings = RoomSettings(data_folder=fleet.folder / "refused", **given)
        open_room(settings, fleet.registry).stop()
    except (SteadyheadError, ValueError) as exc:
        return str(exc)
    return "it began"


def test_what_cannot_be_shared_is_refused_in_words(fleet: Fleet, sqlite_url: str, tmp_path: Path):
    settings = RoomSettings(
        data_folder=tmp_path / "first", profiles=fleet.profiles, database_url=fleet.url,
        sharing=SharingSettings(folder=tmp_path / "shared", shares=SHARES),
        report=ReportSettings(is_made=True, folder=tmp_path / "reports"),
    )  # fmt: skip
    open_room(settings, fleet.registry).stop()
    assert "SQLite is for one process" in refusal(fleet, database_url=sqlite_url)
    assert "needs a PostgreSQL" in refusal(fleet, database_url=None)
    assert f"divided into {SHARES} shares, the settings say 9" in refusal(fleet, sharing={"shares": 9})
    assert "has no folder for readings" in refusal(fleet, sharing={"folder": None})
    elsewhere = refusal(fleet, sharing={"folder": tmp_path / "elsewhere"})
    assert "not the folder that the other processes use; name that one under sharing.folder" in elsewhere
    assert "under profiles" in refusal(fleet, profiles=tmp_path / "other_profiles")
    own = ReportSettings(is_made=True, folder=tmp_path / "own_reports")
    assert "name that one under report.folder" in refusal(fleet, report=own)
    assert "add sharing to the settings" in refusal(fleet, sharing=None)
    assert refusal(fleet) == "it began"


def test_what_people_do_works_on_a_process_that_does_not_judge_the_station(fleet: Fleet, facts: Facts):
    _, registry, profiles, about = facts
    sharing = {"folder": fleet.folder / "shared", "shares": SHARES, "lease_s": 6, "renew_s": 0.3}
    rooms = [
        open_room(
            RoomSettings(
                data_folder=fleet.folder / name, profiles=profiles, database_url=fleet.url, checkpoint_s=0.5,
                watch_folders=False, latching=CONDITIONS, sharing=SharingSettings(name=name, **sharing),
            ),
            registry,
        )
        for name in ("one", "two")
    ]  # fmt: skip
    before = (profiles / "gorge_road.json").read_bytes()
    try:
        for room in rooms:
            room.start()
        number = plan_of(registry, SHARES).share_of["gorge_road"]
        members = sorted(room.runner._keeper.me.name for room in rooms)
        wait_for(lambda: Counter(fleet.owners().values()) == Counter(dict.fromkeys(members, SHARES // 2)))
        wait_for(lambda: any(number in shares_of(room) for room in rooms))
        owner, other = sorted(rooms, key=lambda room: number not in shares_of(room))
        for batch in batches(items([about.logs["gorge_road"]], 3, SHUFFLED_S), 3, 3000):
            other.intake.push_json(json.dumps(batch).encode(), "test")
        wait_for(lambda: other.desk.alerts().total > 0)
        wait_for(lambda: not owner.runner.status().backlog_items)
        alert = other.desk.alerts().items[0].alert
        assert other.desk.acknowledge(alert.alert_id, "a tester").acknowledged_by == "a tester"
        assert owner.desk.alert(alert.alert_id).acknowledged_by == "a tester"
        span = FROM_S, FROM_S + 5 * 86400
        wait_for(lambda: other.archive.extent("gorge_road") == owner.archive.extent("gorge_road"))
        learned = other.runner.learn("gorge_road", *span).profile.version
        shares_of(owner)[number].runner.housekeeper.look_at_profiles()

        def in_use() -> set[str | None]:
            return {room.runner.stations(["gorge_road"])["gorge_road"].profile_version for room in rooms}

        wait_for(lambda: in_use() == {learned}, 30)
        for room in rooms:  # the one that judges the station, and the one that is told of it
            views = room.runner.stations()
            assert room.runner.last_seen() == {name: view.last_s for name, view in views.items()}
            assert views["gorge_road"].last_s is not None
        # the new profile ends what stood by the old one, which the owner says and the settings have latch
        wait_for(lambda: other.desk.alert(alert.alert_id).alert.state == "latched_acknowledged")
        assert other.desk.reset(alert.alert_id, "a tester", "looked at").alert.state == "normal"
        with pytest.raises(NotFoundError):
            other.runner.learn("nowhere")
    finally:
        for room in rooms:
            room.stop()
        (profiles / "gorge_road.json").write_bytes(before)
    assert set(fleet.owners().values()) == {None}


def shares_of(room: Any) -> dict[int, Any]:
    return room.rounds._holdings.shares()
