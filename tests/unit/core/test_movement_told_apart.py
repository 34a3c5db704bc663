"""Movement of the outlet told apart, on made-up logs in which only one thing happens.

The logs have no physics: they say what a rule answers to, not how good it is (docs/evaluation.md does).
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
FROM, TO = DAY + 600, DAY + 720


def log(days: int, seed: int, **moved: np.ndarray) -> Readings:
    """A reading a minute, noon to noon alike; ``moved`` is added to outlet or flow."""
    rng = np.random.default_rng(seed)
    n = days * DAY
    flow = 10 + 4 * np.sin((np.arange(n) % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.2, n)
    inlet = 650 + rng.normal(0, 1.0, n)
    outlet = SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular(
        "made_up", 0, 60, outlet + moved.get("outlet", 0.0), inlet_kpa=inlet,
        flow_lps=flow + moved.get("flow", 0.0),
    )  # fmt: skip


def to_and_fro(share: float, of: float) -> np.ndarray:
    """Irregular moves of random size and sign within two hours of day 2, ``share`` of ``of`` at most."""
    out = np.zeros(3 * DAY)
    out[FROM:TO] = np.random.default_rng(7).uniform(-share, share, TO - FROM) * of
    return out


def names(readings: Readings, profile: Profile) -> list[str]:
    return [c.condition for c in step(State(), readings, profile) if c.is_raised]


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(log(14, 1), Known())


def test_moves_about_the_set_that_flow_goes_with_are_hunting(profile):
    moves = to_and_fro(0.05, 1.0)
    assert names(log(3, 2, outlet=moves * SET_KPA, flow=moves * 40.0), profile) == ["hunting"]


def test_the_same_moves_below_what_is_expected_are_not(profile):
    moves = to_and_fro(0.05, 1.0)
    below = np.where(moves != 0.0, moves - 0.05, 0.0)
    assert "hunting" not in names(log(3, 2, outlet=below * SET_KPA, flow=moves * 40.0), profile)


def test_moves_of_the_number_alone_are_not(profile):
    moves = to_and_fro(0.3, SET_KPA)
    # a tenth of the outlet's share: water through any opening would move at least as much
    assert "hunting" not in names(log(3, 2, outlet=moves, flow=moves / SET_KPA * 1.0), profile)


def test_a_small_flow_that_reads_the_same_for_long_is_no_stuck_transmitter(profile):
    readings = log(3, 2)
    flow = readings.flow_lps.copy()
    flow[FROM:TO] = 0.4
    low = regular("made_up", 0, 60, readings.outlet_kpa, inlet_kpa=readings.inlet_kpa, flow_lps=flow)
    assert "sensor_fault" not in names(low, profile)
    flow[FROM:TO] = 8.4
    stuck = regular("made_up", 0, 60, readings.outlet_kpa, inlet_kpa=readings.inlet_kpa, flow_lps=flow)
    assert "sensor_fault" in names(stuck, profile)


def test_a_step_seen_half_way_at_15_min_is_a_changed_set():
    """A reading each quarter hour: one falls into the minutes in which the screw was turned."""

    def coarse(days: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        rng = np.random.default_rng(seed)
        flow = (
            10 + 4 * np.sin((np.arange(days * 96) / 4 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, days * 96)
        )
        return SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, len(flow)), 650 + 0 * flow, flow

    outlet, inlet, flow = coarse(28, 1)
    quarterly = learn(regular("made_up", 0, 900, outlet, inlet_kpa=inlet, flow_lps=flow), Known())
    outlet, inlet, flow = coarse(4, 2)
    outlet[200] -= 0.08 * SET_KPA
    outlet[201:] -= 0.14 * SET_KPA
    assert names(regular("made_up", 0, 900, outlet, inlet_kpa=inlet, flow_lps=flow), quarterly) == [
        "set_changed"
    ]


def evenings(days: int, seed: int, low: float = 0.0) -> Readings:
    """A reading each quarter hour, no meter; from day 3 on it sags each evening, by ``low`` of set."""
    rng = np.random.default_rng(seed)
    quarter = np.arange(days * 96)
    flow = 10 + 4 * np.sin((quarter / 4 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, len(quarter))
    outlet = SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, len(quarter))
    peak = np.clip(2.0 - np.abs(quarter % 96 - 74) / 3.0, 0.0, 1.0) * (quarter >= 192)
    outlet -= low * SET_KPA * peak * rng.uniform(0.5, 1.0, len(quarter))
    return regular("made_up", 0, 900, outlet, inlet_kpa=np.full(len(quarter), 650.0))


def test_sags_of_the_evening_are_not_hunting_without_a_meter_either():
    found = names(evenings(6, 5, 0.08), learn(evenings(28, 1), Known()))
    assert found[:1] == ["failure_to_open"]
    assert "hunting" not in found
