"""Flow that is missing at every hour alike, told from flow that is missing in proportion.

The running moments are compared with numpy's own regression. The logs are made up; that a bypass takes about
the same flow at every hour follows from the flow equation of a fixed opening (IEC 60534-2-1, equation 1), by
which it goes with the root of a differential that hardly changes over the day.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numba import njit

from steadyhead.conditions.scene.numbers import LIMITS
from steadyhead.conditions.scene.record import new_scene
from steadyhead.conditions.scene.shortfall import is_missing, missing_lps, see_shortfall
from steadyhead.conditions.unfamiliar import FED
from steadyhead.diagnosis.sentences import tell
from steadyhead.engine import State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular
from steadyhead.units import UNIT_SYSTEMS

DAY = 1440
SET_KPA, INLET_KPA = 400.0, 650.0


@njit
def followed(scene, limits, usual, flow):
    s, lim = scene[0], limits[0]
    for k in range(len(usual)):
        s.flow_usual_lps, s.flow_lps = usual[k], flow[k]
        see_shortfall(s, lim)
    return missing_lps(s)


@given(
    seed=st.integers(0, 10**6), alike=st.floats(-3, 3), share=st.floats(-0.3, 0.3), n=st.integers(60, 1000)
)
def test_the_intercept_is_that_of_a_regression(seed, alike, share, n):
    """Over less than the memory of a day all ticks weigh the same."""
    rng = np.random.default_rng(seed)
    usual = 10.0 + rng.uniform(-5.0, 5.0, n)
    flow = usual - alike - share * usual + rng.normal(0, 0.2, n)
    scene, limits = new_scene(), np.zeros(1, dtype=LIMITS)
    scene["tick_s"], limits["daily_mean_lps"] = 60.0, 10.0
    wanted = np.polyfit(usual, usual - flow, 1)[1]
    assert followed(scene, limits, usual, flow) == pytest.approx(wanted, abs=1e-9)


def log(days: int, seed: int, alike_lps: float = 0.0, share: float = 0.0) -> Readings:
    """A reading a minute; from day 2 on flow is missing, by an amount or by a share."""
    rng = np.random.default_rng(seed)
    n = days * DAY
    usual = 10 + 5 * np.sin((np.arange(n) % DAY / 60 - 9) / 24 * 2 * np.pi)
    after = np.arange(n) >= DAY
    flow = usual * np.where(after, 1.0 - share, 1.0) - np.where(after, alike_lps, 0.0) + rng.normal(0, 0.3, n)
    outlet = SET_KPA - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    inlet = INLET_KPA + rng.normal(0, 1.0, n)
    return regular("made_up", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(log(14, 1), Known())


def test_the_same_amount_missing_by_day_and_by_night_is_water_from_elsewhere(profile):
    found = [c for c in step(State(), log(4, 2, alike_lps=2.0), profile) if c.is_raised]
    assert [c.condition for c in found] == ["unfamiliar"]
    assert float(found[0].held["kind"]) == FED
    assert 6 * 3600 < found[0].at_s - 60 * DAY < 36 * 3600
    told = tell(found[0], profile, UNIT_SYSTEMS["kpa_lps"])
    assert told.traits == {"fed": "elsewhere"}
    # the memory of a day still holds hours before it began
    assert 0.9 < told.magnitude["flow_missing_lps"] < 2.0
    assert "less than usual has passed" in told.evidence[0]


@njit
def missing_after(scene, limits, usual, flow):
    followed(scene, limits, usual, flow)
    return is_missing(scene[0], limits[0])


@pytest.mark.parametrize(
    ("alike_lps", "share", "missing"),
    [(2.0, 0.0, True), (2.0, 0.2, True), (2.0, 0.4, False), (0.0, 0.4, False), (0.5, 0.0, False)],
)
def test_a_fifth_of_the_mean_that_is_missing_alike_counts_unless_much_goes_in_proportion(
    alike_lps, share, missing
):
    """Of a mean of 10 L/s: 0.9 alike and 1.1 in all are asked for, and below 0.3 in proportion."""
    usual = 10.0 - 5.0 * np.cos(np.arange(2 * DAY) / DAY * 2 * np.pi)
    scene, limits = new_scene(), np.zeros(1, dtype=LIMITS)
    scene["tick_s"], limits["daily_mean_lps"] = 60.0, 10.0
    assert missing_after(scene, limits, usual, usual - alike_lps - share * usual) == missing


@pytest.mark.parametrize("share", [0.2, 0.35], ids=["a fifth less", "a third less"])
def test_demand_that_fell_in_proportion_is_not(profile, share):
    found = [c for c in step(State(), log(4, 2, share=share), profile) if c.is_raised]
    assert FED not in [float(c.held["kind"]) for c in found if c.condition == "unfamiliar"]


def nightly(days: int, seed: int) -> Readings:
    """The same, shut every night at its lock-up pressure."""
    base = log(days, seed)
    rng = np.random.default_rng(seed + 1)
    minute = np.arange(len(base)) % DAY
    shut = (minute >= 60) & (minute < 300)
    outlet = np.where(shut, SET_KPA + 6.0 + rng.normal(0, 0.3, len(base)), base.outlet_kpa)
    return regular(
        "made_up", 0, 60, outlet, inlet_kpa=base.inlet_kpa, flow_lps=np.where(shut, 0.0, base.flow_lps)
    )


@pytest.fixture(scope="module")
def shuts() -> Profile:
    return learn(nightly(10, 1), Known())


def lifted(
    known: Profile, readings: Readings, rows: slice, way: np.ndarray | float, near: float | None = None
) -> list[str]:
    outlet = readings.outlet_kpa.copy()
    outlet[rows] = SET_KPA + 6.0 + way * (INLET_KPA - SET_KPA - 6.0)
    neighbour = {} if near is None else {"neighbour_kpa": outlet + near}
    judged = regular(
        "made_up", 0, 60, outlet, inlet_kpa=readings.inlet_kpa, flow_lps=readings.flow_lps, **neighbour
    )
    return names(judged, known)


def names(judged: Readings, known: Profile) -> list[str]:
    return [c.condition for c in step(State(), judged, known) if c.is_raised]


def test_one_wild_sample_while_shut_lifts_no_district(shuts):
    """A spike of a transmitter is over at the next sample; water that came in fast is still there."""
    at = DAY + 200
    assert "unfamiliar" not in lifted(shuts, nightly(3, 2), slice(at, at + 1), 0.6)
    assert lifted(shuts, nightly(3, 2), slice(at, at + 90), 0.6)[:1] == ["unfamiliar"]


@pytest.mark.parametrize(("way", "wanted"), [(0.35, "held_shut"), (1.0, "unfamiliar")])
def test_a_neighbour_holds_the_district_high_but_not_at_the_inlet(shuts, way, wanted):
    """Whoever lifts it all the way has opened something; both stations see it."""
    rows = slice(DAY + 600, DAY + 800)
    base = nightly(3, 2)
    flow = base.flow_lps.copy()
    flow[rows] = 0.0
    quiet = regular("made_up", 0, 60, base.outlet_kpa, inlet_kpa=base.inlet_kpa, flow_lps=flow)
    assert lifted(shuts, quiet, rows, way * np.minimum(np.arange(200) / 12.0, 1.0), near=0.5)[:1] == [wanted]


def test_an_inlet_at_more_than_twice_what_it_was_is_a_wrong_number(shuts):
    base = nightly(3, 2)
    inlet = base.inlet_kpa.copy()
    inlet[DAY + 600 :] *= 2.6  # no factor between units
    judged = regular("made_up", 0, 60, base.outlet_kpa, inlet_kpa=inlet, flow_lps=base.flow_lps)
    assert names(judged, shuts)[:1] == ["sensor_fault"]
