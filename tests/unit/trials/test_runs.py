"""Runs of cases: what is kept on disk is what was played, and truth is measured on the judged span."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from steadyhead.trials import runs
from steadyhead.trials.cases import Case, Happening
from steadyhead.trials.runs import CaseRun, keep, kept_path, load_or_play, play
from steadyhead.trials.watch import departure_at, watch

SAG = Happening("stem_travel_limited", 8.0, severity=0.97)


def small_case(**changes: object) -> Case:
    case = Case(
        id="small-001",
        group="fault",
        kind="stem_travel_limited",
        wanted="failure_to_open",
        severity="clear",
        seed=9,
        interval_s=60,
        start_s=1_741_564_800,
        learn_days=4,
        test_days=1,
        time_zone="UTC",
        station={"set_kpa": 400.0},
        instruments={"has_command": False, "gaps_per_week": 0.0},
        faults=(SAG,),
    )
    return replace(case, **changes)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def played() -> CaseRun:
    return play(small_case())


def test_truth_is_what_the_plant_measured_in_the_judged_span(played):
    case = played.case
    assert played.truth.condition == "failure_to_open"
    assert played.truth.severity == "clear"
    assert case.begins_s <= played.truth.passed_s <= case.end_s
    assert played.departure.min() < -0.15
    assert np.abs(played.departure[played.minutes_s < case.begins_s]).max() == 0.0


def test_spans_to_learn_from_and_to_judge_meet_and_cover_the_run(played):
    assert played.learning.start_s == played.case.start_s
    assert played.learning.end_s == played.case.test_s == played.judged.start_s
    assert played.judged.end_s == played.case.end_s


def test_a_kept_run_is_the_run_that_was_played(played, tmp_path):
    keep(played, tmp_path)
    again = load_or_play(played.case, tmp_path)
    assert again.truth == played.truth
    np.testing.assert_allclose(again.readings.outlet_kpa, played.readings.outlet_kpa, rtol=1e-6)
    np.testing.assert_allclose(again.departure, played.departure, atol=1e-6)
    assert np.isnan(again.readings.command_kpa).all()


def test_a_kept_run_of_another_plant_is_played_again_unless_any_will_do(played, tmp_path, monkeypatch):
    keep(played, tmp_path)
    monkeypatch.setattr(runs, "plant_version", lambda: "another")
    monkeypatch.setattr(runs, "play", lambda case: replace(played, departure=played.departure * 2.0))
    assert load_or_play(played.case, tmp_path, any_plant=True).departure.min() == pytest.approx(
        played.departure.min(), abs=1e-6
    )
    assert load_or_play(played.case, tmp_path).departure.min() == pytest.approx(2.0 * played.departure.min())


def test_cases_that_differ_in_anything_that_matters_are_kept_apart(tmp_path):
    first = small_case()
    for other in (
        replace(first, seed=10),
        replace(first, faults=(replace(SAG, severity=0.5),)),
        replace(first, learn_days=3, test_days=2),
    ):
        assert kept_path(other, tmp_path) != kept_path(first, tmp_path)


def test_watching_gives_alerts_in_order_with_the_departure_when_raised(played):
    found = watch(played)
    assert not found.failed
    times = [a.raised_s for a in found.alerts]
    assert times == sorted(times)
    assert any(a.raised_s >= played.case.begins_s for a in found.alerts)


def test_departure_is_the_median_of_the_hour_before(played):
    at = int(played.case.begins_s) + 7200
    rows = (played.minutes_s >= at - 3600) & (played.minutes_s < at)
    assert departure_at(played, at) == np.median(played.departure[rows])
    assert np.isnan(departure_at(played, played.case.test_s))


def test_a_span_too_short_to_learn_from_is_reported_as_such(played):
    found = watch(
        replace(played, case=replace(played.case, start_s=played.case.start_s + 3 * 86400, learn_days=1))
    )
    assert "days of readings" in found.failed
    assert found.alerts == ()


def test_what_the_registry_is_told_does_not_ask_for_another_run(tmp_path):
    assert kept_path(small_case(told=("rated",)), tmp_path) == kept_path(small_case(), tmp_path)
