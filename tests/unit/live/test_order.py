"""Rows come out of the live run as ``readings.grid`` makes them of the whole log, however they came in."""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from live_bench import HORIZON_S, QUICK, START_S, Bench, Times, item, items_of, log_of, same_rows

from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours, to_grid
from steadyhead.readings.series import StationLog

NAMES = ("solo", "east", "west", "lazy", "slow")


def some_logs(seed: int, hours: float = 2.0) -> list[StationLog]:
    """Irregular reports of five stations, with gaps and with several in a row."""
    rng = random.Random(seed)
    logs = []
    for name in NAMES:
        every = {"slow": 900, "west": 300}.get(name, 60)
        first_s = START_S + rng.randrange(0, 1800)
        values = {}
        for role in ("inlet", "outlet", "flow"):
            at = first_s + rng.randrange(0, every)
            pairs = []
            while at < START_S + hours * 3600:
                pairs.append((at, round(rng.uniform(300, 700), 2)))
                at += rng.choice([every, every, every, every // 2, 20, every * 12])
            values[role] = pairs
        logs.append(log_of(name, values))
    return logs


def whole(bench: Bench, logs: list[StationLog]) -> dict[str, Readings]:
    """The oracle: what ``scan`` makes of the whole logs."""
    readings = [to_grid(log, bench.registry.stations[log.station]) for log in logs]
    return {r.station: r for r in add_neighbours(readings, bench.registry.zones())}


def assert_as_whole(bench: Bench, logs: list[StationLog]) -> None:
    """All rows but the last, which stays open where the log does not end on the grid: more may come in it."""
    for name, expected in whole(bench, logs).items():
        got = bench.rows(name)
        newest_s = max(int(s.times_s[-1]) for log in logs if log.station == name for s in log.series.values())
        if got is None:
            assert len(expected) == 1  # the only row there is stays open
            continue
        assert got.end_s - got.step_s == newest_s // got.step_s * got.step_s
        assert same_rows(got, expected.rows(0, len(got))), name


def shuffled(logs: list[StationLog], seed: int, within_s: float) -> list[dict]:
    rng = random.Random(seed)
    items = [one for log in logs for one in items_of(log)]
    return sorted(items, key=lambda one: one["time"] + rng.uniform(0, within_s))


@settings(
    max_examples=25, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    seed=st.integers(0, 10**6),
    sizes=st.lists(st.sampled_from([1, 3, 20, 200, 1000]), min_size=1, max_size=6),
    judge_after=st.integers(1, 5),
)
def test_shuffled_batches_within_the_horizon_give_the_rows_of_the_whole_log(
    tmp_path_factory, seed, sizes, judge_after
):
    bench = Bench(tmp_path_factory.mktemp("bench"))
    logs = some_logs(seed)
    items = shuffled(logs, seed, HORIZON_S - 61)  # a row is open for a step longer than its last reading
    n = 0
    while items:
        size = sizes[n % len(sizes)]
        batch, items = items[:size], items[size:]
        answer = bench.push(batch)
        assert (answer.late, answer.refused) == (0, [])
        n += 1
        if n % judge_after == 0:
            bench.judge()
    bench.rest()
    assert_as_whole(bench, logs)
    assert bench.intake._marks.table.tobytes() == bench.order.marks.table.tobytes()


def test_delivering_twice_changes_nothing(tmp_path: Path):
    bench = Bench(tmp_path)
    logs = some_logs(7, hours=1)
    items = shuffled(logs, 7, 100)
    for first in range(0, len(items), 50):
        batch = items[first : first + 50]
        bench.push(batch)
        bench.push(batch)
    bench.rest()
    assert_as_whole(bench, logs)


def test_a_reading_older_than_the_horizon_is_kept_and_counted_and_changes_no_row(tmp_path: Path):
    bench = Bench(tmp_path)
    for minute in range(20):
        bench.push([item("solo", "outlet", START_S + 60 * minute, 400.0)])
    answer = bench.push(
        [item("solo", "outlet", START_S + 61, 999.0), item("solo", "outlet", START_S + 1080, 401.0)]
    )
    assert (answer.accepted, answer.late, answer.refused) == (1, 1, [])
    bench.rest()
    assert 999.0 not in bench.rows("solo").outlet_kpa
    assert 401.0 in bench.rows("solo").outlet_kpa
    kept = (tmp_path / "late").glob("*.jsonl")
    assert '"value":999.0' in next(kept).read_text()
    counts = bench.journal.source_counts()[0]
    assert (counts.accepted, counts.late) == (21, 1)


def test_a_row_waits_for_its_neighbour_but_not_for_longer_than_the_horizon(tmp_path: Path):
    bench = Bench(tmp_path)
    first = [item("east", "outlet", START_S, 400.0), item("west", "outlet", START_S, 410.0)]
    bench.push(first)
    bench.judge()
    for minute in range(1, 12):
        bench.times.pass_(20)
        bench.push([item("east", "outlet", START_S + 60 * minute, 400.0)])
        bench.judge()
    assert bench.rows("east") is None  # complete up to minute 6, but west may still bring its own
    bench.push([item("west", "outlet", START_S + 600, 420.0)])
    bench.judge()
    # west is complete up to 600 - horizon = 300 s, and so east is judged that far
    assert bench.rows("east").end_s == START_S + 300 + 60
    assert bench.rows("east").neighbour_kpa.tolist() == [410.0] * 6
    bench.pass_(HORIZON_S + 1)
    bench.pass_(HORIZON_S + 1)  # and now it has waited long enough
    assert bench.rows("east").end_s == START_S + 11 * 60 + 60
    assert bench.rows("east").neighbour_kpa[-1] == 420.0


def test_a_neighbour_that_never_came_holds_nothing_up_for_long(tmp_path: Path):
    bench = Bench(tmp_path)
    for minute in range(30):
        bench.times.pass_(60)
        bench.push([item("east", "outlet", START_S + 60 * minute, 400.0)])
        bench.judge()
    behind_s = START_S + 29 * 60 - (bench.course("east").judged_s or 0)
    assert behind_s <= 2 * HORIZON_S


def live(bench: Bench, name: str, minutes: int, step_s: int = 60, value: float = 400.0) -> None:
    """Readings of today, one a step, each pushed when it is made."""
    for _ in range(minutes):
        bench.pass_(step_s)
        bench.push([item(name, "outlet", int(bench.times.wall_s) // step_s * step_s, value)])
        bench.judge()


def test_rows_of_a_silent_station_are_closed_so_that_the_loss_is_noticed(tmp_path: Path):
    bench = Bench(tmp_path, silence_s=600)
    live(bench, "solo", 5)
    newest_s = int(bench.order.marks.table["newest_s"][0])
    for _ in range(60):
        bench.pass_(60)
    rows = bench.rows("solo")
    assert np.isnan(rows.outlet_kpa[-40:]).all()
    assert rows.end_s - 60 == (newest_s + 3600 - 600) // 60 * 60


def test_silence_is_measured_by_the_stations_own_rhythm(tmp_path: Path):
    bench = Bench(tmp_path)
    live(bench, "slow", 40, step_s=3600)  # four rows an hour come once an hour
    open_s = int(bench.order.marks.table["newest_s"][bench.order.places["slow"]])
    bench.pass_(2 * 3600)
    assert bench.rows("slow").end_s <= open_s + 900  # two deliveries may be lost
    bench.pass_(3 * 3600)
    assert bench.rows("slow").end_s > open_s + 900


def test_a_log_of_the_past_is_not_hurried_along_by_the_clock(tmp_path: Path):
    bench = Bench(tmp_path, times=Times(START_S + 90 * 86400.0))
    bench.push([item("solo", "outlet", START_S + 60 * m, 400.0) for m in range(10)])
    for _ in range(50):
        bench.pass_(3600)
    answer = bench.push([item("solo", "outlet", START_S + 60 * m, 400.0) for m in range(10, 20)])
    assert (answer.accepted, answer.late) == (10, 0)


@pytest.mark.parametrize("jump_s", [-7200.0, -30.0, 45.0, 7200.0, 86400.0 * 400])
def test_a_step_of_the_clock_closes_no_row_early_and_stalls_none(tmp_path: Path, jump_s: float):
    plain, stepped = Bench(tmp_path / "plain", silence_s=600), Bench(tmp_path / "stepped", silence_s=600)
    for bench, jump in ((plain, 0.0), (stepped, jump_s)):
        made_s = float(START_S + 86400)  # the stations' own clocks, which nobody sets
        for minute in range(120):
            bench.times.pass_(60)
            made_s += 60
            if minute == 60:
                bench.times.wall_s += jump
            if minute < 90:
                answer = bench.push([item("solo", "outlet", made_s, 400.0 + minute)])
                assert (answer.accepted, answer.late, answer.refused) == (1, 0, [])
            bench.intake.mark()
            bench.judge()
    assert same_rows(stepped.rows("solo"), plain.rows("solo"))
    assert (
        stepped.rows("solo").end_s > START_S + 86400 + 90 * 60
    )  # the silence at the end was noticed in both


def test_a_fast_clock_of_one_sender_makes_no_other_reading_late(tmp_path: Path):
    bench = Bench(tmp_path)
    now_s = int(bench.times.wall_s)
    bench.push([item("solo", "inlet", now_s + 290, 700.0)])
    answer = bench.push([item("solo", "outlet", now_s - 200, 400.0)])
    assert (answer.accepted, answer.late) == (1, 0)
