"""Baselines: their margin, their episodes, and that they look only back."""

from __future__ import annotations

import numpy as np
import pytest
from outcomes import HEALTHY, START_S, TEST_S, outcome, truth

from steadyhead.readings.frame import regular
from steadyhead.trials.baselines import DETECTORS, Track, as_outcomes, distance_track, episodes, tuned_margin
from steadyhead.trials.runs import CaseRun

HOUR = 3600


def track(*values_by_hour: float) -> Track:
    at = TEST_S + HOUR * np.arange(len(values_by_hour), dtype=np.float64)
    return Track(at, np.array(values_by_hour))


def test_an_episode_runs_from_the_first_value_above_to_the_first_below():
    assert episodes(track(0, 2, 2, 0, 0), 1.0) == [(TEST_S + HOUR, TEST_S + 3 * HOUR)]
    assert episodes(track(0, 2, 2), 1.0) == [(TEST_S + HOUR, None)]


def test_raising_again_within_a_day_and_a_half_is_the_same_episode():
    soon, late = np.zeros(60), np.zeros(60)
    soon[[2, 30]] = 2.0
    late[[2, 45]] = 2.0
    assert len(episodes(track(*soon), 1.0)) == 1
    assert len(episodes(track(*late), 1.0)) == 2


def test_missing_scores_raise_nothing():
    assert episodes(track(np.nan, np.nan), 1.0) == []


def test_the_margin_is_the_smallest_that_keeps_the_rate():
    healthy = outcome("healthy", HEALTHY)
    # Peaks of 1, 2 and 3, more than 36 h apart, in ten days; one allowed: the second peak is the margin.
    values = np.zeros(240)
    values[[20, 100, 180]] = (1.0, 2.0, 3.0)
    one_in_ten_days = 365.25 / 10
    assert tuned_margin([track(*values)], [healthy], one_in_ten_days) == 2.0
    assert tuned_margin([track(*values)], [healthy], 0.0) == 3.0


def test_time_after_a_fault_begins_does_not_count_for_the_margin():
    values = np.zeros(240)
    values[[20, 100]] = (1.0, 9.0)  # the fault begins at hour 48
    assert tuned_margin([track(*values)], [outcome("fault", truth("drift"))], 0.0) == 1.0


def test_alarms_carry_no_name():
    alarmed = as_outcomes([track(0, 2, 0)], [outcome("healthy", HEALTHY)], 1.0)[0]
    assert [a.condition for a in alarmed.alerts] == ["alarm"]


@pytest.fixture(scope="module")
def steady_run() -> CaseRun:
    """Ten days to learn from and ten to judge, quarter hours, a daily rhythm and a little noise."""
    n = 20 * 96
    rng = np.random.default_rng(5)
    day = np.sin(2 * np.pi * np.arange(n) / 96)
    readings = regular(
        "made",
        START_S,
        900,
        400 - 2 * day + rng.normal(0, 0.3, n),
        inlet_kpa=650 + 5 * day + rng.normal(0, 0.5, n),
        flow_lps=8 + 3 * day + rng.normal(0, 0.2, n),
    )
    case = outcome("healthy", HEALTHY, interval_s=900).case
    return CaseRun(case, readings, HEALTHY, np.zeros(0, dtype=np.int64), np.zeros(0))


def naive_join(series, window, other=None, ignore_trivial=True):
    """Distance of each window to its nearest neighbour, slow and obvious; stumpy compiles for a minute."""
    mine = np.lib.stride_tricks.sliding_window_view(series, window)
    theirs = mine if other is None else np.lib.stride_tricks.sliding_window_view(other, window)
    distance = np.sqrt(((mine[:, None, :] - theirs[None, :, :]) ** 2).sum(axis=2))
    if ignore_trivial:
        near = np.abs(np.arange(len(mine))[:, None] - np.arange(len(theirs))[None, :]) <= window // 4
        distance[near] = np.inf
    return distance.min(axis=1)[:, None]


QUICK = {name: how for name, how in DETECTORS.items() if not name.startswith("matrix")}
QUICK["matrix profile"] = lambda run: distance_track(run, naive_join)


@pytest.mark.parametrize("name", list(QUICK))
def test_a_sag_raises_the_score_and_nothing_before_it_changes(steady_run, name):
    at = 15 * 96  # half way through the judged span
    outlet = steady_run.readings.outlet_kpa.copy()
    outlet[at:] -= 60.0
    r = steady_run.readings
    sagging = CaseRun(
        steady_run.case,
        regular("made", START_S, 900, outlet, inlet_kpa=r.inlet_kpa, flow_lps=r.flow_lps),
        HEALTHY,
        steady_run.minutes_s,
        steady_run.departure,
    )
    plain, sagged = QUICK[name](steady_run), QUICK[name](sagging)
    before = plain.times_s < r.times_s[at]
    np.testing.assert_allclose(sagged.values[before], plain.values[before], rtol=1e-6, atol=1e-6)
    assert np.nanmax(sagged.values[~before]) > np.nanmax(plain.values)
