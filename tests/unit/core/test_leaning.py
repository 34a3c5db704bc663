"""A throttled pilot and a turned screw both shift the outlet at once; only one goes with the opening.

The numbers behind the running moments are compared with numpy's own regression; the logs are made up and have
no physics. That a pilot whose drain is throttled droops more the further the valve opens is seen in the
proving plant (``docs/evaluation.md`` counts such cases); common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from steadyhead.conditions.drift import leans, stands_upright
from steadyhead.conditions.scene.leaning import ENDS, LEAST_TICKS, leaning, see_leaning
from steadyhead.conditions.scene.record import new_scene
from steadyhead.diagnosis.sentences import tell
from steadyhead.engine import State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import Readings, regular
from steadyhead.units import UNIT_SYSTEMS

DAY = 1440
SET_KPA = 400.0
AT = DAY + 600  # minute of the day's middle at which the outlet moves


@njit
def followed(scene, kv, departure):
    s = scene[0]
    for k in range(len(kv)):
        s.kv_need, s.departure = kv[k], departure[k]
        see_leaning(s)
    return leaning(s)


def off(fast: float) -> np.ndarray:
    scene = new_scene()
    scene["tick_s"], scene["fast"] = 60.0, fast
    return scene


@given(
    seed=st.integers(0, 10**6), slope=st.floats(-0.004, 0.004), level=st.floats(0.025, 0.2),
    n=st.integers(40, 400),
)  # fmt: skip
def test_the_moments_are_those_of_a_regression(seed, slope, level, n):
    rng = np.random.default_rng(seed)
    kv = 20.0 + rng.normal(0, 3.0, n).clip(-9, 9)
    departure = level + slope * (kv - 20.0) + rng.normal(0, 0.001, n)
    share, error, spread = followed(off(0.03), kv, departure)
    kv, departure = kv[15:], departure[15:]  # the first quarter of an hour is the way there
    found = np.polyfit(kv, departure, 1)[0]
    rest = departure - np.polyval(np.polyfit(kv, departure, 1), kv)
    scale = kv.mean() / departure.mean()
    assert share == pytest.approx(found * scale, rel=1e-6, abs=1e-9)
    assert error == pytest.approx(abs(scale) * rest.std() / kv.std() / np.sqrt(len(kv)), rel=1e-6)
    assert spread == pytest.approx(kv.std() / kv.mean(), rel=1e-9)


def test_too_little_says_nothing():
    n = int(15 + LEAST_TICKS - 1)
    share, error, spread = followed(off(0.03), np.linspace(10, 20, n), np.full(n, 0.03))
    assert (share, spread) == (0.0, 0.0)
    assert np.isinf(error)


def test_what_comes_back_begins_anew():
    scene = off(0.03)
    assert followed(scene, np.linspace(10, 20, 100), np.linspace(0.02, 0.05, 100))[0] > 0
    scene["fast"] = 0.5 * ENDS
    assert followed(scene, np.array([15.0]), np.array([0.0]))[0] == 0.0
    assert scene["lean_s"][0] == 0.0


def watched(spread: float, slope: float, noise: float) -> np.recarray:
    """A departure of 3 % of set over openings of a ``spread``; ``slope``: its change over theirs."""
    rng = np.random.default_rng(3)
    away = rng.normal(0, 1.0, 300)
    scene = off(0.03)
    followed(
        scene, 20.0 * (1 + spread * away), 0.03 * (1 + slope * spread * away + rng.normal(0, noise, 300))
    )
    return scene.view(np.recarray)[0]


@pytest.mark.parametrize(
    ("spread", "noise", "upright"), [(0.1, 0.01, True), (0.1, 0.2, False), (0.2, 0.2, True)],
    ids=["little demand, no doubt", "little demand, doubt", "much demand"],
)  # fmt: skip
def test_little_demand_that_moves_is_enough_where_it_leaves_no_doubt(spread, noise, upright):
    assert stands_upright(watched(spread, 0.0, noise)) == upright


@pytest.mark.parametrize(("spread", "known"), [(0.04, False), (0.12, True)])
def test_a_departure_leans_only_if_the_opening_has_moved(spread, known):
    assert leans(watched(spread, 0.3, 0.005)) == known


def log_of(days: int, seed: int, shift: float = 0.0, *, goes_with_flow: bool = False) -> Readings:
    """A reading a minute; from ``AT`` on the outlet stands off by ``shift`` of set, on the mean."""
    rng = np.random.default_rng(seed)
    n = days * DAY
    minute = np.arange(n)
    usual = 10 - 5 * np.cos((minute % DAY / 60 - 9) / 24 * 2 * np.pi)
    flow = usual + rng.normal(0, 0.3, n)
    away = np.where(minute >= AT, shift, 0.0)
    if goes_with_flow:
        away = away * (0.6 + 0.4 * usual / 10.0)
    outlet = SET_KPA * (1.0 + away) + rng.normal(0, 0.5, n)
    return regular("made_up", 0, 60, outlet, inlet_kpa=650 + rng.normal(0, 1.0, n), flow_lps=flow)


@pytest.fixture(scope="module")
def profile():
    return learn(log_of(14, 1), Known())


@pytest.mark.parametrize("shift", [-0.035, 0.035])
@pytest.mark.parametrize(("goes_with_flow", "wanted"), [(False, "set_changed"), (True, "drift")])
def test_a_small_step_is_called_by_whether_it_goes_with_demand(profile, shift, goes_with_flow, wanted):
    raised = [
        c for c in step(State(), log_of(4, 2, shift, goes_with_flow=goes_with_flow), profile) if c.is_raised
    ]
    assert [c.condition for c in raised][:1] == [wanted]
    told = " ".join(tell(raised[0], profile, UNIT_SYSTEMS["kpa_lps"]).evidence)
    if wanted == "drift":
        assert "It came at once" in told
        assert "It goes with demand" in told
