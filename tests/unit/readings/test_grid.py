"""Reported values on the grid: causal, and the same however the log was cut."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.config import Station, Tag
from steadyhead.errors import FeedError, ReadingsError
from steadyhead.readings import quality as flag
from steadyhead.readings.frame import CHANNELS, regular
from steadyhead.readings.grid import Held, add_neighbours, grid_block, to_grid
from steadyhead.readings.rejects import Rejects
from steadyhead.readings.series import Series, StationLog

nan = np.nan


def station(**settings):
    return Station(
        **{
            "name": "elm_street",
            "time_zone": "UTC",
            "step_s": 60,
            "tags": {"outlet": Tag(tag="p", unit="kPa"), "flow": Tag(tag="q", unit="L/s")},
            "sources": [{"path": "x"}],
            **settings,
        }
    )


def series(times_s, values, flags=None):
    values = np.asarray(values, dtype=float)
    why = np.where(np.isnan(values), flag.BAD_QUALITY, 0) if flags is None else flags
    return Series(np.asarray(times_s, dtype=np.int64), values, np.asarray(why, dtype=np.uint16))


def log(**by_role):
    return StationLog("elm_street", by_role, Rejects("elm_street"))


def test_a_row_holds_the_last_value_since_the_row_before():
    readings = to_grid(log(outlet=series([60, 61, 119, 120, 121, 300], [1, 2, 3, 4, 5, 6])), station())
    assert readings.start_s == 60
    assert readings.outlet_kpa.tolist()[:3] == [1, 4, 5]
    assert np.isnan(readings.outlet_kpa[3])
    assert readings.outlet_kpa[4] == 6
    assert np.isnan(readings.flow_lps).all()
    assert not readings.flags.any()


def test_a_refused_value_leaves_a_gap_with_its_reason_and_channel():
    readings = to_grid(
        log(outlet=series([60, 120, 180], [1, nan, 3]), flow=series([60, 180], [5, nan])), station()
    )
    assert np.isnan(readings.outlet_kpa[1])
    assert readings.flags.tolist() == [
        0,
        flag.BAD_QUALITY | flag.ON_OUTLET,
        flag.BAD_QUALITY | flag.ON_FLOW,
    ]


def test_a_refused_value_takes_nothing_back_in_its_row():
    readings = to_grid(log(outlet=series([60, 100, 110], [1, 2, nan])), station())
    assert readings.outlet_kpa.tolist() == [1, 2]
    assert readings.flags[1] == flag.BAD_QUALITY | flag.ON_OUTLET


def test_on_change_a_value_holds_until_the_next_report_or_the_heartbeat():
    on_change = station(reporting="on_change", heartbeat_s=180)
    readings = to_grid(log(outlet=series([60, 130, 600], [1, 2, 3])), on_change)
    np.testing.assert_array_equal(readings.outlet_kpa, [1, 1, 2, 2, 2, nan, nan, nan, nan, 3])
    assert (readings.flags & flag.HELD != 0).tolist() == [False, True, False, True, True] + [False] * 5
    assert (readings.flags & flag.STALE != 0).tolist() == [False] * 5 + [True] * 4 + [False]


def test_on_change_a_refused_report_ends_the_hold():
    on_change = station(reporting="on_change", heartbeat_s=600)
    readings = to_grid(log(outlet=series([60, 180, 300], [1, nan, 3])), on_change)
    np.testing.assert_array_equal(readings.outlet_kpa, [1, 1, nan, nan, 3])
    assert readings.flags[2] == flag.BAD_QUALITY | flag.ON_OUTLET
    assert readings.flags[3] == 0


def test_the_hold_follows_the_stepped_interpolation_of_opc_ua_part_13():
    # Published: OPC 10000-13, AggregateExamples.csv, raw data after 12:00 (seconds: value; 42 s bad, 77 s
    # uncertain), stepped interpolation at 25, 30, 40, 50, 75 and 85 s. At 45 and 80 s the standard reaches
    # back over the bad report; here a hold is not stretched over a report that says "unknown".
    times = [2, 25, 28, 39, 42, 48, 52, 72, 77, 83, 86, 90]
    values = [10, 20, 25, 30, nan, 40, 50, 60, nan, 70, 80, 90]
    on_change = station(step_s=5, reporting="on_change", heartbeat_s=60)
    readings = to_grid(log(outlet=series(times, values)), on_change)
    by_time = dict(zip(readings.times_s.tolist(), readings.outlet_kpa.tolist(), strict=True))
    assert [by_time[t] for t in (25, 30, 40, 50, 75, 85)] == [20, 25, 30, 40, 60, 70]
    assert np.isnan([by_time[45], by_time[80]]).all()


def test_a_clock_far_off_is_an_error_not_a_full_memory():
    with pytest.raises(
        FeedError, match=r"2 readings span 1999-01-01 to 2024-01-01, .* remove readings of a wrong"
    ):
        to_grid(log(outlet=series([915_148_800, 1_704_067_200], [1, 2])), station(step_s=1))


def test_no_readings_and_a_grid_that_does_not_fit_are_errors():
    with pytest.raises(FeedError, match="there are no readings"):
        to_grid(log(outlet=series([], [])), station())
    with pytest.raises(ReadingsError, match="does not lie on the grid of step_s 60"):
        grid_block({}, station(), 30, 90)


reports = st.lists(
    st.tuples(st.integers(1, 4000), st.one_of(st.just(nan), st.floats(0, 9).map(round))),
    min_size=1,
    max_size=60,
).map(lambda rows: sorted(rows, key=lambda row: row[0]))


def slow_grid(rows, one):
    """The obvious way, row by row: what was known at each time."""
    times = [t for t, _ in rows]
    first, last = -(-times[0] // one.step_s) * one.step_s, -(-times[-1] // one.step_s) * one.step_s
    out = []
    for at in range(first, last + 1, one.step_s):
        inside = [v for t, v in rows if at - one.step_s < t <= at]
        value = nan
        if one.reporting == "on_change":
            past = [(t, v) for t, v in rows if t <= at]
            if inside or (past and at - past[-1][0] <= one.heartbeat_s):
                value = past[-1][1]
        elif [v for v in inside if v == v]:
            value = [v for v in inside if v == v][-1]
        out.append(value)
    return first, np.array(out, dtype=float)


STATIONS = [station(), station(step_s=7), station(reporting="on_change", heartbeat_s=333)]


@pytest.mark.parametrize("one", STATIONS, ids=["60 s", "7 s", "on change"])
@given(rows=reports)
def test_the_grid_is_what_the_obvious_way_gives(one, rows):
    readings = to_grid(log(outlet=series(*zip(*rows, strict=True))), one)
    start_s, expected = slow_grid(rows, one)
    assert readings.start_s == start_s
    np.testing.assert_array_equal(readings.outlet_kpa, expected)


@pytest.mark.parametrize("one", STATIONS, ids=["60 s", "7 s", "on change"])
@given(rows=reports, more=reports, cuts=st.lists(st.integers(0, 600), max_size=4))
def test_cutting_a_log_into_blocks_changes_nothing(one, rows, more, cuts):
    whole = {"outlet": series(*zip(*rows, strict=True)), "flow": series(*zip(*more, strict=True))}
    expected = to_grid(StationLog("elm_street", whole, Rejects("elm_street")), one)
    edges = sorted({expected.start_s, expected.end_s, *(expected.start_s + one.step_s * c for c in cuts)})
    edges = [e for e in edges if e <= expected.end_s]
    held, blocks = Held(), []
    for a, b in itertools.pairwise(edges):
        part = {}
        for role, s in whole.items():
            inside = (s.times_s > a - one.step_s) & (s.times_s <= b - one.step_s)
            part[role] = Series(s.times_s[inside], s.values[inside], s.flags[inside])
        block, held = grid_block(part, one, a, b, held)
        blocks.append(block)
    for name in (*CHANNELS, "flags"):
        joined = np.concatenate([getattr(block, name) for block in blocks])
        np.testing.assert_array_equal(joined, getattr(expected, name))


@pytest.mark.parametrize("one", STATIONS, ids=["60 s", "7 s", "on change"])
def test_a_long_log_is_gridded_as_its_short_blocks_are(one):
    """More reports than are worked on at a time, against blocks that are far below that."""
    draw = np.random.default_rng(5)
    times_s = np.sort(draw.integers(1, 600_000, 150_000))
    values = np.where(draw.random(150_000) < 0.1, nan, draw.integers(0, 9, 150_000))
    whole = series(times_s, values)
    expected = to_grid(log(outlet=whole), one)
    held, blocks = Held(), []
    rows = np.append(np.arange(0, len(expected), 20_000 // one.step_s), len(expected))
    for a, b in itertools.pairwise((expected.start_s + one.step_s * rows).tolist()):
        block, held = grid_block({"outlet": whole}, one, a, b, held)
        blocks.append(block)
    for name in ("outlet_kpa", "flags"):
        joined = np.concatenate([getattr(block, name) for block in blocks])
        np.testing.assert_array_equal(joined, getattr(expected, name))


@pytest.mark.parametrize("one", STATIONS, ids=["60 s", "7 s", "on change"])
@given(rows=reports, later=reports)
def test_later_reports_change_no_earlier_row(one, rows, later):
    before = to_grid(log(outlet=series(*zip(*rows, strict=True))), one)
    moved = [(t + rows[-1][0] + one.step_s, v) for t, v in later]
    after = to_grid(log(outlet=series(*zip(*(rows + moved), strict=True))), one)
    np.testing.assert_array_equal(after.outlet_kpa[: len(before)], before.outlet_kpa)
    np.testing.assert_array_equal(after.flags[: len(before)], before.flags)


# ------------------------------------------------------------------ neighbours

ZONES = {"a": "low", "b": "low", "c": "low", "d": "high", "e": None, "f": None}


def outlet(name, start_s, step_s, values):
    return regular(name, start_s, step_s, np.array(values, dtype=float))


def test_a_neighbour_is_the_highest_last_known_outlet_of_the_zone():
    rows = [
        outlet("a", 0, 60, [0] * 7),
        outlet("b", 120, 120, [10, nan, 30]),
        outlet("c", 0, 300, [20, 25]),
        outlet("d", 0, 60, [99] * 6),
        outlet("e", 0, 60, [98] * 6),
        outlet("f", 0, 60, [97] * 6),
    ]
    filled = {r.station: r.neighbour_kpa for r in add_neighbours(rows, ZONES)}
    assert filled["a"].tolist() == [20, 20, 20, 20, 20, 25, 30]
    for alone in "def":
        assert np.isnan(filled[alone]).all()


def test_an_outlet_older_than_half_an_hour_is_not_used():
    rows = [outlet("a", 0, 900, [0] * 5), outlet("b", 0, 900, [7, nan, nan, nan, nan])]
    np.testing.assert_array_equal(add_neighbours(rows, ZONES)[0].neighbour_kpa, [7, 7, 7, nan, nan])


@given(
    st.lists(st.one_of(st.just(nan), st.integers(0, 9)), min_size=1, max_size=20),
    st.integers(-5, 5),
    st.sampled_from([60, 240, 900]),
)
def test_neighbours_are_what_the_obvious_way_gives(values, shift, step_s):
    mine, other = outlet("a", 0, 60, [0] * 30), outlet("b", shift * step_s, step_s, values)
    filled = add_neighbours([mine, other], ZONES)[0].neighbour_kpa
    for at, got in zip(mine.times_s, filled, strict=True):
        known = [v for t, v in zip(other.times_s, values, strict=True) if at - 1800 <= t <= at and v == v]
        np.testing.assert_array_equal(got, known[-1] if known else nan)
