"""A run that is broken off anywhere and taken up from bytes goes on as if nothing had been."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from live_bench import QUICK, START_S, Bench, bench_registry, item, same_rows
from test_order import shuffled, some_logs

from steadyhead.alerts.model import Renaming, Runner, Verdict
from steadyhead.config import parse_registry
from steadyhead.diagnosis.weigh import Episodes, Naming
from steadyhead.engine import State, step
from steadyhead.errors import ReadingsError
from steadyhead.live.checkpoint import FormError, from_bytes, to_bytes
from steadyhead.live.course import Course, Told
from steadyhead.live.order import Order
from steadyhead.live.watermarks import new_marks
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import regular
from steadyhead.units import UNIT_SYSTEMS

UNITS = UNIT_SYSTEMS["kpa_lps"]


def taken_up(bench: Bench) -> None:
    """Replace the run's order by one made from the bytes of the old one, as a restart does."""
    old = bench.order
    stations = list(bench.registry.stations.values())
    new = Order(stations, bench.waits, UNITS, bench._on_rows)
    for n, course in enumerate(old.courses):
        data = to_bytes(course, old.marks.table[n])
        saved = from_bytes(data, course.station, has_neighbours=course.has_neighbours)
        assert saved.is_whole
        saved.course.journal_no = bench.done_no
        new.courses[n] = saved.course
        new.marks.table[n] = saved.mark[0]
    new.restored()
    bench.order = new


@settings(
    max_examples=10, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10**6), breaks=st.sets(st.integers(0, 40), max_size=6))
def test_breaking_off_between_records_changes_no_row(tmp_path_factory, seed, breaks):
    benches = [Bench(tmp_path_factory.mktemp("bench")) for _ in range(2)]
    items = shuffled(some_logs(seed, hours=1.5), seed, 200)
    size = len(items) // 40 + 1
    for n in range(40):
        for bench in benches:
            bench.times.pass_(random.Random(seed + n).choice([0, 1, 20, 400]))
            bench.push(items[n * size : (n + 1) * size])
            bench.judge()
        if n in breaks:
            taken_up(benches[1])
    for bench in benches:
        bench.rest()
    assert benches[0].rows("solo") is not None
    for name in ("solo", "east", "west", "lazy", "slow"):
        one, other = (bench.rows(name) for bench in benches)
        assert (one is None) == (other is None), name
        assert one is None or other is None or same_rows(one, other), name
    assert benches[0].order.marks.table.tobytes() == benches[1].order.marks.table.tobytes()


GROUPS = [("solo",), ("east", "west"), ("lazy", "slow"), ("quick", "imperial")]
"""Stations that are saved together; a zone is never parted."""


@settings(
    max_examples=6, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10**6), breaks=st.sets(st.integers(2, 29), min_size=1, max_size=4))
def test_checkpoints_of_different_moments_go_on_as_one_run(tmp_path_factory, seed, breaks):
    benches = [Bench(tmp_path_factory.mktemp("bench")) for _ in range(2)]
    items = shuffled(some_logs(seed, hours=1.5), seed, 200)
    size, saved = len(items) // 30 + 1, {}
    for n in range(30):
        for bench in benches:
            bench.times.pass_(random.Random(seed + n).choice([0, 1, 20, 400]))
            bench.push(items[n * size : (n + 1) * size])
            if random.Random(seed - n).random() < 0.3:
                bench.intake.mark()
            bench.judge()
        for name in random.Random(n ^ seed).choice(GROUPS):
            place = benches[1].order.places[name]
            data = to_bytes(benches[1].order.courses[place], benches[1].order.marks.table[place])
            saved[name] = data, benches[1].done_no
        if n in breaks:
            taken_up_from(benches[1], saved)
    for bench in benches:
        bench.rest()
    for name in benches[0].order.places:
        one, other = (bench.rows(name) for bench in benches)
        assert (one is None) == (other is None), name
        assert one is None or other is None or same_rows(one, other), name
    assert benches[0].order.marks.table.tobytes() == benches[1].order.marks.table.tobytes()


def taken_up_from(bench: Bench, found: dict[str, tuple[bytes, int]]) -> None:
    """Go on from checkpoints and the whole journal; rows that were judged since are as if never judged."""
    new = Order(list(bench.registry.stations.values()), bench.waits, UNITS, bench._on_rows)
    for n, course in enumerate(new.courses):
        name, end_s = course.station.name, 0
        if name in found:
            data, journal_no = found[name]
            saved = from_bytes(data, course.station, has_neighbours=course.has_neighbours)
            saved.course.journal_no = journal_no
            new.courses[n], new.marks.table[n] = saved.course, saved.mark[0]
            end_s = 0 if saved.course.judged_s is None else saved.course.judged_s + course.station.step_s
        kept = [rows.between(rows.start_s, end_s) for rows in bench.blocks[name] if rows.start_s < end_s]
        bench.blocks[name] = kept
    new.restored()
    assert bench.intake._marks is not None
    followed = new.followed(bench.journal.read(0)).table
    assert (followed["complete_s"] <= bench.intake._marks.table["complete_s"]).all()
    for mark in ("newest_s", "heard_s", "pause_s"):
        np.testing.assert_array_equal(followed[mark], bench.intake._marks.table[mark])
    bench.order, bench.done_no = new, 0
    bench.judge()


def test_records_a_checkpoint_holds_already_are_left_out(tmp_path: Path):
    bench = Bench(tmp_path)
    for minute in range(30):
        bench.push([item("solo", "outlet", START_S + 60 * minute, 400.0 + minute)])
    bench.judge()
    taken_up(bench)
    before = bench.rows("solo")
    bench.done_no = 0  # a restart reads all that is left in the journal
    bench.judge()
    assert same_rows(bench.rows("solo"), before)


def test_after_a_restart_the_intake_stands_where_it_stood(tmp_path: Path):
    bench = Bench(tmp_path)
    items = shuffled(some_logs(11, hours=1.5), 11, 200)
    for n in range(12):
        bench.times.pass_(30)
        bench.push(items[n * 100 : (n + 1) * 100])
        bench.intake.mark()
        if n == 5:
            bench.judge()
            taken_up(bench)  # the last checkpoint; what follows is in the journal alone
    found = bench.order.followed(bench.journal.read(0))
    assert bench.intake._marks is not None
    assert found.table.tobytes() == bench.intake._marks.table.tobytes()


def a_verdict() -> Verdict:
    return Verdict(
        station="solo", condition="drift", confidence=0.8, runners_up=(Runner("set_changed", 0.1),),
        magnitude={"departure_kpa": -12.5}, evidence=("Outlet is low.",), began_s=START_S,
        raised_s=START_S + 600, ended_s=None, updated_s=START_S + 600, profile_version="abc",
        window_s=(START_S, START_S + 600), facts={"kv_m3h": float("nan")}, traits={"direction": "down"},
    )  # fmt: skip


def test_verdicts_and_what_is_to_be_told_survive(tmp_path: Path):
    bench = Bench(tmp_path)
    course = bench.course("solo")
    ended = replace(a_verdict(), ended_s=START_S + 900)
    course.told = [Told("raised", a_verdict()), Told("cleared", ended)]
    renamed = replace(ended, names=(Renaming(START_S + 700, "set_changed", "drift"),))
    course.episodes = Episodes({"drift": renamed}, Naming({"set_changed": "drift", "creep": ""}))
    course.last = {"outlet_kpa": (START_S, 400.25)}
    data = to_bytes(course, bench.order.marks.table[0])
    found = from_bytes(data, course.station, has_neighbours=False).course
    assert [told.kind for told in found.told] == ["raised", "cleared"]
    assert replace(found.told[0].verdict, facts={}) == replace(a_verdict(), facts={})
    assert np.isnan(found.told[0].verdict.facts["kv_m3h"])
    assert replace(found.episodes.latest["drift"], facts={}) == replace(renamed, facts={})
    assert found.episodes.latest["drift"].first_name == "set_changed"
    assert found.episodes.naming == course.episodes.naming
    assert found.last == course.last


def test_another_step_of_the_grid_makes_a_checkpoint_unfit():
    course = Course(bench_registry().stations["solo"], has_neighbours=False)
    data = to_bytes(course, new_marks(1)[0])
    other = parse_registry(
        "defaults: {time_zone: UTC, sources: [{path: x.csv}], tags: {outlet: {tag: P, unit: kPa}}}\n"
        "stations: {solo: {step_s: 300}}"
    ).stations["solo"]
    with pytest.raises(FormError):
        from_bytes(data, other, has_neighbours=False)
    with pytest.raises(FormError):
        from_bytes(data[:50], course.station, has_neighbours=False)


def test_the_engines_state_goes_through_bytes_and_another_layout_is_refused():
    rng = np.random.default_rng(3)
    n = 6 * 1440
    flow = 10 + 4 * np.sin(np.arange(n) / 1440 * 2 * np.pi) + rng.normal(0, 0.3, n)
    log = regular(
        "solo", START_S, 60, 400 + rng.normal(0, 0.5, n), inlet_kpa=np.full(n, 700.0), flow_lps=flow
    )
    profile = learn(log, Known())
    one, other = State(), State()
    step(one, log.rows(0, 4000), profile)
    step(other, log.rows(0, 4000), profile)
    other = State.from_bytes(other.to_bytes())
    step(one, log.rows(4000, n), profile)
    step(other, log.rows(4000, n), profile)
    assert one.to_bytes() == other.to_bytes()
    with pytest.raises(ReadingsError, match="another version"):
        State.from_bytes(b"\0" * 8 + one.to_bytes()[8:])
    with pytest.raises(ReadingsError, match="another version"):
        State.from_bytes(one.to_bytes()[:-1])
