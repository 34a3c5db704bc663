"""Conditions that lie close together, on made-up logs in which only one thing happens.

The limits are those of the severities in docs/evaluation.md; the logs have no physics, so they say what a
rule answers to and not how good it is.
"""

from __future__ import annotations

import numpy as np
import pytest

from steadyhead.engine import State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular

DAY = 1440
SET_KPA = 400.0


def quiet_log(days: int, seed: int) -> Readings:
    """A reading a minute: flow by the hour, inlet well above, outlet held with a little droop."""
    rng = np.random.default_rng(seed)
    n = days * DAY
    hour = np.arange(n) % DAY / 60
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + rng.normal(0, 1.0, n)
    outlet = SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular("made_up", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


def changed(log: Readings, **columns: np.ndarray) -> Readings:
    kept = {"outlet_kpa": log.outlet_kpa, "inlet_kpa": log.inlet_kpa, "flow_lps": log.flow_lps} | columns
    return regular("made_up", log.start_s, log.step_s, kept.pop("outlet_kpa"), **kept)


def names(log: Readings, profile: Profile) -> list[str]:
    return [c.condition for c in step(State(), log, profile) if c.is_raised]


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(quiet_log(14, 1), Known())


def strays(log: Readings, share: float, minutes: int, every: int) -> np.ndarray:
    """The outlet with rises that pass: ``share`` of set for some minutes, every so many minutes of day 2."""
    outlet = log.outlet_kpa.copy()
    for start in range(DAY, 2 * DAY, every):
        outlet[start : start + minutes] += share * SET_KPA
    return outlet


def test_rises_that_pass_are_no_drift(profile):
    log = quiet_log(3, 2)
    outlet = strays(log, 0.06, 8, 40)
    mean_share = np.mean((outlet - log.outlet_kpa)[DAY : 2 * DAY]) / SET_KPA
    assert mean_share == pytest.approx(0.012)  # as large as a mild drift begins to be looked at
    assert "drift" not in names(changed(log, outlet_kpa=outlet), profile)


def test_a_small_departure_that_stays_is_a_drift(profile):
    log = quiet_log(3, 2)
    ramp = np.clip((np.arange(len(log)) - DAY) / 720, 0, 1) * 0.03 * SET_KPA
    assert names(changed(log, outlet_kpa=log.outlet_kpa + ramp), profile) == ["drift"]


def test_one_stray_alone_is_no_slow_response(profile):
    log = quiet_log(3, 2)
    outlet = strays(log, 0.12, 8, DAY)
    assert "slow_response" not in names(changed(log, outlet_kpa=outlet), profile)


def test_strays_are_counted_when_they_have_come_back(profile):
    log = changed(log := quiet_log(3, 2), outlet_kpa=strays(log, 0.06, 8, 600))
    state = State()
    step(state, log, profile)
    ends = state.scene["strays_s"][0]
    wanted = [(DAY + 1200 + 8) * 60, (DAY + 600 + 8) * 60]
    assert ends == pytest.approx(wanted, abs=180)
    assert state.scene["stray_s"][0] == 0.0


def starved(log: Readings, inlet_kpa: float, outlet_share: float) -> Readings:
    inlet, outlet, flow = log.inlet_kpa.copy(), log.outlet_kpa.copy(), log.flow_lps.copy()
    short = slice(DAY + 600, DAY + 780)
    inlet[short] += inlet_kpa - 650.0
    outlet[short] *= 1.0 + outlet_share
    flow[short] = 0.0
    return changed(log, outlet_kpa=outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.mark.parametrize("inlet_kpa", [372.0, 330.0, 250.0])
def test_an_inlet_that_fell_below_a_sagging_outlet_is_a_short_supply(profile, inlet_kpa):
    # the district lives on what it stores, so the outlet may stand above the inlet for hours
    assert names(starved(quiet_log(3, 2), inlet_kpa, -0.07), profile)[:1] == ["inlet_starved"]


def test_a_low_inlet_reading_over_an_outlet_that_is_held_is_not(profile):
    log = quiet_log(3, 2)
    inlet = log.inlet_kpa.copy()
    inlet[DAY + 600 : DAY + 780] -= 320.0
    assert "inlet_starved" not in names(changed(log, inlet_kpa=inlet), profile)


def test_an_opening_that_surely_does_not_move_is_named_sooner(profile):
    """A valve at one opening: differential as the square of flow (IEC 60534-2-1, equation 1)."""
    log = quiet_log(3, 3)
    outlet, flow = log.outlet_kpa.copy(), log.flow_lps.copy()
    stuck = slice(DAY + 900, DAY + 960)
    falling = np.linspace(1.0, 0.8, 60)
    kv = flow[DAY + 899] * 3.6 / np.sqrt((log.inlet_kpa[DAY + 899] - outlet[DAY + 899]) / 100.0)
    flow[stuck] = flow[DAY + 899] * falling
    outlet[stuck] = log.inlet_kpa[stuck] - 100.0 * (flow[stuck] * 3.6 / kv) ** 2
    changes = step(State(), changed(log, outlet_kpa=outlet, flow_lps=flow), profile)
    found = [c for c in changes if c.condition == "failure_to_close" and c.is_raised]
    assert len(found) == 1
    held = found[0].held
    assert float(held["held_s"]) < 1800.0
    assert found[0].at_s - float(held["since_s"]) <= 960.0
