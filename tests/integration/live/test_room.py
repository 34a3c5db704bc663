"""The whole room in one process: what it records is what ``scan`` says, and what people see of it."""

from __future__ import annotations

import json
import random
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import select
from worker_bench import (
    FROM_S,
    HORIZON_S,
    ROOT,
    Known,
    batches,
    chosen_registry,
    differing_sizes,
    items,
    known,
    recorded,
    recorded_sizes,
)

from steadyhead import service
from steadyhead.alerts.model import alert_id
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.config import Registry, load_registry
from steadyhead.engine import State
from steadyhead.errors import LearningError, NotFoundError
from steadyhead.feeds.load import load_readings
from steadyhead.live import saver
from steadyhead.live.clock import Clock
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.learn import learn
from steadyhead.store.database import open_database
from steadyhead.store.profiles import load_profile, save_profile
from steadyhead.store.tables import CheckpointRow, FeedRow, RefusedRow


class Times:
    moved_s = 0.0


def wait_for(is_so: Callable[[], Any], within_s: float = 60.0) -> None:
    until = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < until, "it did not come to that"
        time.sleep(0.05)


class Rooms:
    """Opens rooms on one data folder, and stops what is still open at the end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.times = Times()
        self.room: Room | None = None

    def open(self, registry: Registry, **settings: Any) -> Room:
        clock = Clock(lambda: time.time() + self.times.moved_s, lambda: time.monotonic() + self.times.moved_s)
        chosen = {
            "data_folder": self.folder / "data",
            "profiles": self.folder / "profiles",
            "poll_s": 0.2,
        } | settings
        self.room = open_room(RoomSettings(**chosen), registry, clock=clock)
        self.room.start()
        wait_for(lambda: self.room.runner.status().state == "running")
        return self.room

    @property
    def url(self) -> str:
        return f"sqlite:///{self.folder / 'data' / 'steadyhead.db'}"

    def done(self) -> None:
        assert self.room is not None
        room = self.room
        wait_for(lambda: room.runner.status().done_no == room.journal.last_no)

    def rest(self, seconds: float = HORIZON_S + 1) -> None:
        """Let the horizon go by, three times, with a mark each."""
        assert self.room is not None
        for _ in range(3):
            self.done()
            self.times.moved_s += seconds
            self.room.intake.mark()
        self.done()

    def stop(self) -> None:
        if self.room is not None:
            self.room.stop()
            self.room = None


@pytest.fixture
def rooms(tmp_path: Path) -> Iterator[Rooms]:
    opened = Rooms(tmp_path)
    yield opened
    opened.stop()


def test_watched_sample_logs_give_the_alerts_of_scan(rooms: Rooms, tmp_path: Path):
    registry = load_registry(ROOT / "config" / "stations.yaml")
    readings, _ = load_readings(registry)
    expected = {}
    for name, log in readings.items():
        station = registry.stations[name]
        from_s, to_s = station.learning_span_s()
        profile = learn(
            log.between(from_s or 0, to_s or log.end_s), service.known(station, registry.settings)
        )
        save_profile(tmp_path / "profiles", profile)
        for v in service.scan_station(log, profile, registry.settings.units):
            expected[alert_id(name, v.condition, v.raised_s)] = (
                name, v.condition, v.began_s, v.raised_s, v.ended_s,
            )  # fmt: skip
    room = rooms.open(registry)
    n = sum(len(station.sources) for station in registry.stations.values())
    wait_for(lambda: room.runner.status().accepted > 0)
    wait_for(lambda: len(room.journal.positions()) == n and not room.runner.status().backlog_items, 240)
    rooms.rest()
    for name, log in readings.items():
        kept = room.archive.read(name, log.start_s, log.end_s)
        for channel in ("inlet_kpa", "outlet_kpa", "flow_lps", "neighbour_kpa"):
            one, other = getattr(kept, channel), getattr(log, channel)
            # the last row stays open where a log does not end on the grid
            np.testing.assert_array_equal(one[:-1], other[:-1], err_msg=f"{name} {channel}")
    wait_for(lambda: _rows(room, FeedRow) and all(row.state == "ok" for row in _rows(room, FeedRow)))
    rooms.stop()
    assert recorded(rooms.url, registry) == expected
    assert len(expected) >= 9


def _rows(room: Room, table: Any) -> list[Any]:
    with room.database.reading() as session:
        return list(session.scalars(select(table)))


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> tuple[Registry, Path, Known]:
    folder = tmp_path_factory.mktemp("two")
    _, registry = chosen_registry(folder, "gorge_road", "cannery_road")
    return registry, folder / "profiles", known(registry, folder / "profiles")


@pytest.mark.parametrize("seed", [3, 4])
def test_shuffled_pushes_and_orderly_restarts_give_the_alerts_of_scan(rooms: Rooms, two, seed: int):
    registry, profiles, about = two
    more = {"watch_folders": False, "profiles": profiles, "checkpoint_s": 0.3}
    room = rooms.open(registry, **more)
    rng = random.Random(seed)
    for batch in batches(items(list(about.logs.values()), seed, HORIZON_S - 61), seed, 2000):
        body = json.dumps(batch).encode()
        answer = room.intake.push_json(body, "test")
        assert (answer.late, len(answer.refused)) == (0, sum(1 for one in batch if one.get("quality")))
        if rng.random() < 0.1:
            rooms.stop()
            room = rooms.open(registry, **more)
    rooms.rest()
    rooms.stop()
    assert recorded(rooms.url, registry) == about.alerts(registry)
    sizes = recorded_sizes(rooms.url, registry)
    assert differing_sizes(sizes, about.sizes(registry)) == []
    assert differing_sizes(sizes, about.sizes_at_raise(registry)), "what stands is told anew as it grows"


def push_log(room: Room, about: Known, name: str, from_s: int = 0, to_s: int = 2**40) -> None:
    some = [one for one in items([about.logs[name]], 1, 0) if from_s < one["time"] <= to_s]
    for first in range(0, len(some), 5000):
        room.intake.push_json(json.dumps(some[first : first + 5000]).encode(), "test")


def test_a_station_without_a_profile_is_archived_and_learned_by_an_explicit_act(rooms: Rooms, two):
    registry, _, about = two
    room = rooms.open(registry, watch_folders=False, learn_days=8)
    view = room.runner.stations()["gorge_road"]
    assert (view.regime, view.words, view.profile_version) == ("no_readings", "no readings yet", None)
    push_log(room, about, "gorge_road", to_s=FROM_S + 5 * 86400)
    rooms.rest()
    view = room.runner.stations()["gorge_road"]
    assert view.regime == "learning"
    assert room.runner.last_seen()["gorge_road"] == view.last_s == FROM_S + 5 * 86400
    assert view.words == "learning: needs 3 more days"
    assert view.learning is not None
    assert not view.learning.can_learn
    push_log(room, about, "gorge_road", from_s=FROM_S + 5 * 86400, to_s=FROM_S + 9 * 86400)
    rooms.rest()
    assert room.runner.stations()["gorge_road"].learning.can_learn
    with pytest.raises(NotFoundError):
        room.runner.learn("nowhere")
    with pytest.raises(LearningError):
        room.runner.learn("gorge_road", FROM_S, FROM_S + 86400)
    first_s = about.readings["gorge_road"].start_s
    learned = room.runner.learn("gorge_road", first_s, FROM_S + 8 * 86400)
    assert (learned.replaced, learned.changes) == (None, ())
    assert dict(learned.facts)["Set pressure"]
    wait_for(lambda: room.runner.stations()["gorge_road"].profile_version == learned.profile.version)
    # learning from the archive is learning from the log
    again = learn(
        about.readings["gorge_road"].between(first_s, FROM_S + 8 * 86400),
        service.known(registry.stations["gorge_road"], registry.settings),
    )
    assert again.version == learned.profile.version
    push_log(room, about, "gorge_road", from_s=FROM_S + 9 * 86400)
    rooms.rest()
    assert room.runner.stations()["gorge_road"].regime in ("regulating", "shut", "unsettled")
    second = room.runner.learn("gorge_road", FROM_S, FROM_S + 6 * 86400)
    assert second.replaced is not None
    assert second.replaced.version == learned.profile.version
    assert second.changes
    assert list((rooms.folder / "profiles" / "replaced").glob("gorge_road-*.json"))


def test_learning_goes_by_itself_where_the_settings_say_so(rooms: Rooms, two):
    registry, _, about = two
    room = rooms.open(registry, watch_folders=False, learn_days=3, learn_by_itself=True)
    push_log(room, about, "cannery_road")
    rooms.rest()
    room.runner.housekeeper.learn_what_can_be()
    wait_for(lambda: room.runner.stations()["cannery_road"].profile_version is not None)


def test_a_new_profile_ends_what_stood_by_the_old_one_and_a_restart_takes_up_the_right_one(rooms: Rooms, two):
    registry, profiles, about = two
    folder = rooms.folder / "own"
    for name in about.profiles:
        save_profile(folder, about.profiles[name])
    more = {"watch_folders": False, "profiles": folder}
    room = rooms.open(registry, **more)
    push_log(room, about, "cannery_road")
    rooms.rest()
    standing = [v for v in room.desk.alerts().items if v.is_true]
    assert [v.alert.condition for v in standing] == ["drift"]
    # somebody runs `steadyhead learn` while the service is stopped
    rooms.stop()
    log = about.readings["cannery_road"]
    other = learn(
        log.between(log.end_s - 6 * 86400, log.end_s),
        service.known(registry.stations["cannery_road"], registry.settings),
    )
    save_profile(folder, other)
    room = rooms.open(registry, **more)
    wait_for(lambda: room.runner.stations()["cannery_road"].profile_version == other.version)
    wait_for(lambda: not room.desk.alert(standing[0].alert.alert_id).is_true)
    order = room.runner._parts.loop.order
    judged_s = order.courses[order.places["cannery_road"]].judged_s
    assert room.desk.alert(standing[0].alert.alert_id).ended_s == judged_s
    # and while it runs
    save_profile(folder, about.profiles["cannery_road"])
    room.runner.housekeeper.look_at_profiles()
    first = about.profiles["cannery_road"].version
    wait_for(lambda: room.runner.stations()["cannery_road"].profile_version == first)
    rooms.stop()
    room = rooms.open(registry, **more)
    assert room.runner.stations()["cannery_road"].profile_version == first
    assert load_profile(folder, "cannery_road", 300).version == first
    assert profiles.exists()


def test_an_engine_state_of_another_version_is_made_anew_from_the_archive(rooms: Rooms, two):
    registry, profiles, about = two
    more = {"watch_folders": False, "profiles": profiles}
    room = rooms.open(registry, **more)
    push_log(room, about, "cannery_road", to_s=FROM_S + 7 * 86400)
    rooms.rest()
    rooms.stop()
    before = recorded(rooms.url, registry)
    assert "drift" in {condition for _, condition, *_ in before.values()}
    database = open_database(rooms.url)
    mark = State().to_bytes()[:8]
    with database.session() as session:
        for row in session.scalars(select(CheckpointRow)):
            assert mark in row.state
            row.state = row.state.replace(mark, b"a former")  # as a program with other records would have it
    database.close()
    room = rooms.open(registry, **more)
    push_log(room, about, "cannery_road", from_s=FROM_S + 7 * 86400)
    rooms.rest()
    rooms.stop()
    # the alert that stood goes on under its name, and no second one is raised for it
    after = recorded(rooms.url, registry)
    expected = {key: one for key, one in about.alerts(registry).items() if one[0] == "cannery_road"}
    assert after == expected


def test_what_was_refused_and_who_sent_it_is_in_the_tables(rooms: Rooms, two):
    registry, profiles, _ = two
    room = rooms.open(registry, watch_folders=False, profiles=profiles)
    bad = [{"station": "nowhere", "role": "outlet", "time": FROM_S, "value": 1.0}]
    good = [{"station": "gorge_road", "role": "outlet", "time": FROM_S, "value": 400.0}]
    subscription = room.news.subscribe()
    room.intake.push_json(json.dumps([*bad, *good]).encode(), "push:historian")
    room.intake.push_json(json.dumps(bad).encode(), "push:historian")
    wait_for(lambda: any(row.n == 2 for row in _rows(room, RefusedRow)))
    (feed,) = _rows(room, FeedRow)
    assert (feed.source, feed.kind, feed.state) == ("push:historian", "json", "ok")
    assert (feed.accepted, feed.refused, feed.late) == (1, 2, 0)
    (refused,) = _rows(room, RefusedRow)
    assert (refused.reason, refused.station, refused.n) == ("unknown_station", None, 2)
    assert "nowhere" in refused.example
    event = subscription.get(1.0)
    assert event is not None
    assert (event.kind, event.subject) == ("feed", "push:historian")
    wait_for(lambda: room.runner.status().refused == 2)
    status = room.runner.status()
    assert (status.accepted, status.refused, status.late) == (1, 2, 0)
    assert status.words == "running"
    assert (status.database_ok, status.archive_ok, status.journal_ok) == (True, True, True)


def test_rows_are_in_the_archive_and_the_journal_is_short_after_a_checkpoint(
    rooms: Rooms, two, monkeypatch: pytest.MonkeyPatch
):
    registry, profiles, about = two
    monkeypatch.setattr(saver, "PART", 1)  # each of the two is made safe in its turn
    room = rooms.open(registry, watch_folders=False, profiles=profiles, checkpoint_s=0.2)
    push_log(room, about, "gorge_road", to_s=FROM_S + 2 * 86400)
    rooms.rest()
    wait_for(lambda: not room.journal.read(0))
    held = EmbeddedArchive(rooms.folder / "data", {"gorge_road": 300})
    kept = held.read("gorge_road", FROM_S, FROM_S + 2 * 86400)
    assert np.isfinite(kept.outlet_kpa).mean() > 0.9
    assert {row.station for row in _rows(room, CheckpointRow)} == {"gorge_road"}
    assert State().to_bytes()[:8] in _rows(room, CheckpointRow)[0].state
