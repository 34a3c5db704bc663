"""Movement of the outlet told apart, on made-up logs in which only one thing happens.

The logs have no physics: they say what a rule answers to, not how good it is (docs/evaluation.md does).
"""

from __future__ import annotations

import numpy as np
import pytest

from steadyhead.conditions import hunting
from steadyhead.conditions.base import HELD
from steadyhead.conditions.scene import SCENE
from steadyhead.engine import State, ready, step
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


def blind(days: int, seed: int, inlet_goes: float = 0.0, inlet_alone: float = 0.0) -> Readings:
    """A reading each quarter hour, no meter; for the last day the outlet moves to and fro by 5 % of set.

    inlet_goes : of that movement, what the inlet does as well
    inlet_alone : of its size, what the inlet does by itself
    """
    rng = np.random.default_rng(seed)
    n = days * 96
    outlet = SET_KPA + rng.normal(0, 0.5, n)
    inlet = 650 + rng.normal(0, 1.0, n)
    if days < 10:
        moves, others = rng.uniform(-0.05, 0.05, (2, 96)) * SET_KPA
        outlet[-96:] += moves
        inlet[-96:] += inlet_goes * moves + inlet_alone * others
    return regular("made_up", 0, 900, outlet, inlet_kpa=inlet)


@pytest.mark.parametrize(
    ("inlet", "is_hunting"),
    [({}, True), ({"inlet_goes": -0.5}, True), ({"inlet_goes": 0.45}, False), ({"inlet_alone": 1.6}, False)],
    ids=["still", "against the outlet", "with the outlet", "further than the outlet"],
)
def test_without_a_meter_the_inlet_tells_whose_movement_it_is(inlet, is_hunting):
    known = learn(blind(28, 1), Known())
    assert ("hunting" in names(blind(4, 2, **inlet), known)) == is_hunting


@pytest.mark.parametrize(
    ("leads", "share", "waits"),
    [("demand", 1.0, True), ("the valve", 1.0, False), ("demand", 0.1, False)],
    ids=["demand leads", "the valve leads", "it answers as ever"],
)
def test_scatter_of_an_outlet_that_may_answer_late_is_watched_for_longer(profile, leads, share, waits):
    """The rule alone, on the numbers it reads: eight large moves, half of them shared with flow."""
    lim = ready(profile).limits[0]
    scene, own = np.zeros(1, dtype=SCENE), np.zeros(1, dtype=HELD)
    s = scene.view(np.recarray)[0]
    s.known, s.tick_s, s.n_moves, s.set_still_s = 1.0, 60.0, 8.0, 1e6
    s.move_kpa, s.with_flow = 0.05 * SET_KPA, 0.6
    s.flow_slow, s.c_oo, s.c_ff = 10.0, (0.05 * SET_KPA) ** 2, 4.0
    s.slow_share = share * float(lim["slow_share"])
    s.s_rz = -1.0 if leads == "demand" else 1.0
    for _ in range(10):
        support = hunting.judge(s, own[0], lim)
    assert own[0]["kind"] == 2.0
    assert (support < 1.0) == waits
    s.cycles, s.period_s = 6.0, 420.0  # and few like periods are no beat of its own
    assert hunting.is_regular(s, lim) == (not waits)
