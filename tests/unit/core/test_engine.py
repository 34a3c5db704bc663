"""What the engine promises: causal, independent of how the log was cut, and no surprise on odd input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from steadyhead.engine import Change, State, step
from steadyhead.errors import LearningError
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile, from_json, to_json
from steadyhead.readings.frame import Readings, regular

DAY = 1440


def station_log(days: int, seed: int = 1, step_s: int = 60) -> Readings:
    """A plain made-up station: daily rhythm of flow, linear droop, noise."""
    rng = np.random.default_rng(seed)
    n = days * 86400 // step_s
    hour = (np.arange(n) * step_s % 86400) / 3600
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular("made_up", 0, step_s, outlet, inlet_kpa=inlet, flow_lps=flow)


def with_trouble(log: Readings) -> Readings:
    """The log with a drift, a silence, a step and a stuck sensor in it."""
    outlet, inlet, flow = log.outlet_kpa.copy(), log.inlet_kpa.copy(), log.flow_lps.copy()
    outlet[9 * DAY : 11 * DAY] += np.linspace(0, -30, 2 * DAY)
    outlet[11 * DAY : 12 * DAY] = np.nan
    outlet[12 * DAY : 13 * DAY + 300] += 24
    inlet[13 * DAY + 300 :] = inlet[13 * DAY + 300]
    return regular("made_up", log.start_s, log.step_s, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(station_log(8), Known())


@pytest.fixture(scope="module")
def trouble() -> Readings:
    return with_trouble(station_log(14, seed=2))


def told(changes: list[Change]) -> list[tuple[str, bool, int, float]]:
    return [(c.condition, c.is_raised, c.at_s, float(c.held["since_s"])) for c in changes]


def in_blocks(log: Readings, profile: Profile, cuts: list[int]) -> list[Change]:
    state = State()
    changes: list[Change] = []
    for first, last in zip([0, *cuts], [*cuts, len(log)], strict=True):
        changes += step(state, log.rows(first, last), profile)
    return changes


def test_trouble_is_named_in_order(profile: Profile, trouble: Readings) -> None:
    raised = [c.condition for c in step(State(), trouble, profile) if c.is_raised]
    assert raised[0] == "drift"
    assert raised[1] == "telemetry_loss"
    assert "sensor_fault" in raised


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(0, 14 * DAY), max_size=8).map(sorted))
def test_the_answer_does_not_depend_on_how_the_log_was_cut(
    profile: Profile, trouble: Readings, cuts: list[int]
) -> None:
    assert told(in_blocks(trouble, profile, cuts)) == told(step(State(), trouble, profile))


@pytest.mark.parametrize("step_s", [7, 15, 60, 300])
def test_cutting_is_harmless_at_any_sampling(step_s: int) -> None:
    log = station_log(5, step_s=step_s)
    outlet = log.outlet_kpa.copy()
    outlet[-len(outlet) // 5 :] += 30
    changed = regular("made_up", 0, step_s, outlet, inlet_kpa=log.inlet_kpa, flow_lps=log.flow_lps)
    learned = learn(log.rows(0, len(log) * 4 // 5), Known())
    whole = step(State(), changed, learned)
    assert told(whole) == told(in_blocks(changed, learned, [1, 2, 1000, len(log) // 2 + 3]))
    assert "set_changed" in [c.condition for c in whole]


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(until=st.integers(1, 14 * DAY), seed=st.integers(0, 1000))
def test_later_readings_change_nothing_before_them(
    profile: Profile, trouble: Readings, until: int, seed: int
) -> None:
    outlet = trouble.outlet_kpa.copy()
    outlet[until:] = np.random.default_rng(seed).normal(300, 60, len(outlet) - until)
    other = regular("made_up", 0, 60, outlet, inlet_kpa=trouble.inlet_kpa, flow_lps=trouble.flow_lps)
    end_s = until * 60
    before = [c for c in told(step(State(), trouble, profile)) if c[2] < end_s]
    assert [c for c in told(step(State(), other, profile)) if c[2] < end_s] == before


def test_a_copied_state_carries_on_as_the_first(profile: Profile, trouble: Readings) -> None:
    state = State()
    step(state, trouble.rows(0, 10 * DAY), profile)
    kept = state.copy()
    rest = trouble.rows(10 * DAY, len(trouble))
    assert told(step(state, rest, profile)) == told(step(kept, rest, profile))


def test_readings_are_not_modified(profile: Profile, trouble: Readings) -> None:
    before = trouble.outlet_kpa.copy(), trouble.flow_lps.copy()
    step(State(), trouble, profile)
    np.testing.assert_array_equal(trouble.outlet_kpa, before[0])
    np.testing.assert_array_equal(trouble.flow_lps, before[1])


def test_nothing_but_missing_values_gives_telemetry_loss_and_nothing_else(profile: Profile) -> None:
    empty = np.full(DAY, np.nan)
    changes = step(State(), regular("made_up", 0, 60, empty), profile)
    assert [c.condition for c in changes if not c.is_look] == ["telemetry_loss"]


def test_one_row_is_taken_without_an_answer(profile: Profile) -> None:
    assert step(State(), station_log(8).rows(0, 1), profile) == []


def test_no_rows_are_taken_without_an_answer(profile: Profile) -> None:
    assert step(State(), station_log(8).rows(0, 0), profile) == []


def test_a_silent_flow_meter_does_not_stop_the_judgement(profile: Profile) -> None:
    log = station_log(3, seed=5)
    outlet = log.outlet_kpa.copy()
    outlet[DAY:] += np.linspace(0, 40, 2 * DAY)
    mute = regular("made_up", 0, 60, outlet, inlet_kpa=log.inlet_kpa)
    assert "drift" in [c.condition for c in step(State(), mute, profile)]


def test_a_profile_survives_its_file(profile: Profile, trouble: Readings) -> None:
    again = from_json(to_json(profile), "made_up.json")
    assert [c[:3] for c in told(step(State(), trouble, again))] == [
        c[:3] for c in told(step(State(), trouble, profile))
    ]


def test_a_short_span_is_refused_with_what_to_do() -> None:
    with pytest.raises(
        LearningError, match=r"made_up: 2\.0 days of readings, at least 3 .* give a longer span"
    ):
        learn(station_log(2), Known())


def test_an_empty_span_is_refused_with_what_to_do() -> None:
    with pytest.raises(LearningError, match="only 0% of the span has an outlet pressure"):
        learn(regular("made_up", 0, 60, np.full(5 * DAY, np.nan)), Known())


def test_a_span_that_held_another_pressure_than_the_registry_says_is_remarked() -> None:
    log = station_log(5)
    told_otherwise = learn(log, Known(nominal_kpa=450.0)).remarks
    assert any("registry says 450 kPa, the span held 400 kPa (-11%)" in remark for remark in told_otherwise)
    assert not any("registry" in remark for remark in learn(log, Known(nominal_kpa=405.0)).remarks)
