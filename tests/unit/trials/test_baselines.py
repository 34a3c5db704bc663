"""Baselines: their margin, their episodes, and that they look only back."""

from __future__ import annotations

import numpy as np
import pytest
from outcomes import HEALTHY, START_S, TEST_S, outcome, truth

from steadyhead.fleet.place import AUTO
from steadyhead.fleet.told import to_nobody
from steadyhead.readings.frame import regular
from steadyhead.trials import baselines, evaluate, page
from steadyhead.trials.baselines import DETECTORS, NEEDS, as_outcomes, episodes, tuned_margin
from steadyhead.trials.general import (
    BEFORE_QUARTERS,
    NOW_QUARTERS,
    distance_track,
    ecod_row_by_row,
    level_shift,
)
from steadyhead.trials.quarters import Track, features, quarters
from steadyhead.trials.runs import CaseRun, keep

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


def with_outlet(run: CaseRun, outlet: np.ndarray) -> CaseRun:
    r = run.readings
    readings = regular("made", START_S, 900, outlet, inlet_kpa=r.inlet_kpa, flow_lps=r.flow_lps)
    return CaseRun(run.case, readings, HEALTHY, run.minutes_s, run.departure)


@pytest.mark.parametrize("name", list(QUICK))
def test_a_sag_raises_the_score_and_nothing_before_it_changes(steady_run, name):
    at = 15 * 96  # half way through the judged span
    outlet = steady_run.readings.outlet_kpa.copy()
    outlet[at:] -= 60.0
    plain, sagged = QUICK[name](steady_run), QUICK[name](with_outlet(steady_run, outlet))
    before = plain.times_s < steady_run.readings.times_s[at]
    np.testing.assert_allclose(sagged.values[before], plain.values[before], rtol=1e-6, atol=1e-6)
    assert np.nanmax(sagged.values[~before]) > np.nanmax(plain.values)
    # seen within the six hours of the longest look back, at a margin at which nothing was raised before
    margin = max(float(np.nanmax(plain.values)), 0.0)
    raised = [begun for begun, _ in episodes(sagged, margin)]
    began_s = int(steady_run.readings.times_s[at])
    assert raised[0] >= began_s
    assert raised[0] <= began_s + 6 * HOUR


@pytest.mark.parametrize("name", list(QUICK))
def test_gaps_and_a_channel_that_is_not_there_are_borne(steady_run, name):
    r = steady_run.readings
    outlet = r.outlet_kpa.copy()
    outlet[12 * 96 : 12 * 96 + 30] = np.nan
    readings = regular("made", START_S, 900, outlet, flow_lps=r.flow_lps)
    run = CaseRun(steady_run.case, readings, HEALTHY, steady_run.minutes_s, steady_run.departure)
    found = QUICK[name](run)
    assert np.isfinite(found.values[-48:]).all()


def test_features_are_of_channels_that_both_spans_have(steady_run):
    r = steady_run.readings
    inlet = r.inlet_kpa.copy()
    inlet[10 * 96 :] = np.nan  # silent all through the judged span
    readings = regular("made", START_S, 900, r.outlet_kpa, inlet_kpa=inlet, flow_lps=r.flow_lps)
    run = CaseRun(steady_run.case, readings, HEALTHY, steady_run.minutes_s, steady_run.departure)
    learned, _, judged = features(run)
    assert learned.shape[1] == judged.shape[1] == 7
    np.testing.assert_allclose(learned[3:, -1].mean(), 8.0, atol=0.2)  # flow, not inlet
    np.testing.assert_allclose(judged[3:, -1].mean(), 8.0, atol=0.2)


def test_ecod_row_by_row_is_what_pyod_says_of_each_row_alone(steady_run):
    """Outside value: PyOD's own ``decision_function``, asked for one row at a time."""
    from pyod.models.ecod import ECOD

    learned, _, judged = features(steady_run)
    judged = judged[4::40].copy()
    judged[3] += 100.0  # outside all that was learned
    judged[5] = learned[17]  # a tie in every column
    fitted = ECOD(n_jobs=1).fit(learned)
    alone = [float(fitted.decision_function(row[None, :])[0]) for row in judged]
    np.testing.assert_allclose(ecod_row_by_row(learned, judged), alone, rtol=1e-12)
    together = fitted.decision_function(judged)
    assert np.abs(together - alone).max() > 1e-3  # which is why it is not asked for all at once


def test_level_shift_above_a_margin_is_what_adtk_detects_with_that_factor(steady_run):
    """Outside value: the parts of ADTK's ``LevelShiftAD``, as it fits them: where its shift passes its limit.

    Its shifts stand an hour less a quarter before they are known. ADTK 0.6.2 cannot set the labels themselves
    with pandas 3 where a window is not full.
    """
    import pandas as pd
    from adtk.detector import LevelShiftAD

    outlet = steady_run.readings.outlet_kpa.copy()
    outlet[14 * 96 :] -= 8.0
    outlet[17 * 96 :] += 30.0
    run = with_outlet(steady_run, outlet)
    found = level_shift(run)
    times = pd.date_range("2025-01-01", periods=len(outlet), freq="900s")
    series = pd.Series(quarters(run.readings)[1]["outlet_kpa"], index=times)
    margin = 6.0
    detector = LevelShiftAD(window=(BEFORE_QUARTERS, NOW_QUARTERS), c=margin)
    detector.fit(series[: 10 * 96])
    steps = detector.pipe_.steps
    shifts = steps["diff_abs"]["model"].transform(series)
    is_above = shifts > steps["iqr_ad"]["model"].abs_high_
    labels = is_above.shift(NOW_QUARTERS - 1, fill_value=False).to_numpy()[10 * 96 :]
    np.testing.assert_array_equal(found.values > margin, labels)
    assert 0 < labels.sum() < len(labels) // 2


def test_a_detector_that_is_not_there_has_a_row_that_says_why(monkeypatch, tmp_path):
    monkeypatch.setattr(baselines, "DETECTORS", {n: DETECTORS[n] for n in ("limits around set", "ECOD")})
    monkeypatch.setattr(baselines, "NEEDS", {"ECOD": "no_such_library"})
    case = outcome("healthy", HEALTHY)
    tracks = [{"limits around set": track(0, 1, 0)}]
    monkeypatch.setattr(baselines, "tracks_of", lambda cases, cache, place, names: tracks)
    rows = evaluate.others({"development": [case.case]}, {"development": [case]}, 0.0, tmp_path, AUTO)
    there, gone = rows["development"]
    assert (there.name, there.why_absent) == ("limits around set", "")
    assert gone.why_absent == "not installed: No module named 'no_such_library'"
    assert "ECOD" in evaluate.noticed_text([there, gone])
    assert "not installed: No module named 'no_such_library'" in evaluate.noticed_text([there, gone])
    assert page._noticed_row(gone) == f"| ECOD | {gone.why_absent} | | | | | |"


def test_here_all_of_them_can_be_run():
    assert baselines.absent() == {}
    assert set(NEEDS) < set(DETECTORS)


def test_tracks_are_kept_and_one_that_is_missing_is_worked_out_for_itself(steady_run, tmp_path, monkeypatch):
    keep(steady_run, tmp_path)
    asked = []

    def counted(name):
        def act(run):
            asked.append(name)
            return DETECTORS[name](run)

        return act

    names = ("limits around set", "training percentiles")
    monkeypatch.setattr(baselines, "DETECTORS", {name: counted(name) for name in names})

    def tracks(*wanted):
        return baselines._tracks(tmp_path, wanted, steady_run.case, to_nobody)

    first = tracks(names[0])
    both = tracks(*names)
    again = tracks(*names)
    assert asked == list(names)  # each once
    assert list(first) == [names[0]]
    assert list(both) == list(again) == list(names)
    for name in names:
        np.testing.assert_array_equal(again[name].values, both[name].values)
