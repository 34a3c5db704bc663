"""Departures that come, go back or go on: what the way they take says of their cause.

The logs are made up, so that one thing differs at a time; they say what a rule answers to, not how good it is
(docs/evaluation.md does).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from steadyhead.conditions.drift import LATELY_S, PLAIN, STOOD_S
from steadyhead.engine import Change, State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular

DAY = 1440
SET_KPA, LOCK_KPA, INLET_KPA = 400.0, 406.0, 650.0
AT = DAY + 600  # minute at which the outlet begins to stand off
SHUT_FROM, SHUT_TO = 60, 300  # minutes of the day without demand, where a station shuts


def log(days: int, seed: int, away: np.ndarray | float = 0.0, usual: np.ndarray | float = 1.0) -> Readings:
    """A reading a minute; ``away``: share of set, added to the outlet; ``usual``: share of the usual flow."""
    rng = np.random.default_rng(seed)
    n = days * DAY
    flow = 10 + 4 * np.sin((np.arange(n) % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.2, n)
    outlet = SET_KPA * (1.0 + away) - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular(
        "made_up", 0, 60, outlet, inlet_kpa=INLET_KPA + rng.normal(0, 1.0, n), flow_lps=flow * usual
    )


def without_meter(readings: Readings) -> Readings:
    return regular(readings.station, 0, readings.step_s, readings.outlet_kpa, inlet_kpa=readings.inlet_kpa)


def path(days: int, *points: tuple[float, float]) -> np.ndarray:
    """Straight lines between points (minutes after ``AT``, value); the first value before, the last after."""
    minutes, values = zip(*points, strict=True)
    return np.interp(np.arange(days * DAY) - AT, minutes, values)


def raised(readings: Readings, profile: Profile) -> list[Change]:
    return [c for c in step(State(), readings, profile) if c.is_raised]


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(log(14, 1), Known())


def test_a_departure_on_its_way_back_within_hours_is_no_drift(profile):
    """Wear does not heal: what stood further off an hour ago is a valve that answers late."""
    top = 3.0 * PLAIN
    goes = path(3, (0, 0.0), (60, top), (90, top), (90 + LATELY_S / 60, 0.0))
    assert "drift" not in [c.condition for c in raised(log(3, 2, goes), profile)]
    stays = path(3, (0, 0.0), (60, 0.5 * top), (600, 0.5 * top))
    assert "drift" in [c.condition for c in raised(log(3, 2, stays), profile)]


def test_a_drift_that_grows_past_what_is_plain_does_not_wait_for_its_mean(profile):
    """The mean of two hours lies below the limit from which nothing waits; the outlet itself does not."""
    [found, *_] = raised(log(4, 2, path(4, (0, 0.0), (480, 0.08))), profile)
    assert found.condition == "drift"
    assert abs(float(found.scene["drift"])) < PLAIN
    assert found.at_s - 60 * AT < STOOD_S


@pytest.mark.parametrize(
    ("minutes", "name"), [(60, "failure_to_open"), (240, "drift")], ids=["an hour", "four hours"]
)
def test_a_far_sag_that_came_within_the_hour_is_none_of_a_pilots(profile, minutes, name):
    """A choking screen: the outlet falls, and Kv with it, so that nothing looks fixed."""
    sag, less = path(3, (0, 0.0), (minutes, -0.22)), path(3, (0, 1.0), (minutes, 0.7))
    [first, *_] = raised(log(3, 2, sag, less), profile)
    assert (first.condition, first.at_s <= 60 * (AT + minutes)) == (name, True)


def test_a_far_sag_is_watched_for_half_as_long(profile):
    def delay_s(sag: float) -> int:
        """From the sag to the alert, of a valve that is stuck and cannot follow demand."""
        usual = log(3, 2)
        minute = np.arange(3 * DAY)
        wanders = 8.0 * np.sin(minute / 7.0) + np.random.default_rng(3).normal(0, 0.5, len(minute))
        outlet = np.where(minute >= AT, SET_KPA * (1 - sag) + wanders, usual.outlet_kpa)
        passes = 10.0 * np.sqrt((usual.inlet_kpa - outlet) / (INLET_KPA - SET_KPA))
        flow = np.where(minute >= AT, passes, usual.flow_lps)
        judged = regular("made_up", 0, 60, outlet, inlet_kpa=usual.inlet_kpa, flow_lps=flow)
        [first, *_] = raised(judged, profile)
        assert first.condition == "failure_to_open"
        return first.at_s - 60 * AT

    assert delay_s(0.16) < delay_s(0.08)


def test_a_district_that_runs_empty_is_not_taken_for_a_set_being_taken_up():
    """No meter, a set that moves a little each quarter hour, and then no pressure at all."""
    blind = learn(without_meter(log(14, 1)), Known())
    moves = tuple(SET_KPA + 2.0 * (quarter % 2) for quarter in range(672))
    scheduled = replace(
        blind, set_pressure=replace(blind.set_pressure, source="schedule learned", slots_kpa=moves)
    )
    empty = without_meter(log(3, 2, path(3, (0, 0.0), (12, -1.0))))
    found = [c for c in raised(empty, scheduled) if c.condition == "failure_to_open"]
    assert found
    assert found[0].at_s - 60 * AT < 30 * 60


def test_a_claim_that_no_longer_stands_raises_nothing(profile):
    """How long it has stood runs back more slowly than a departure passes."""
    state = State()
    step(state, log(1, 2), profile)
    state.held["held_s"] = 1e5
    later = log(2, 2)
    assert step(state, later.rows(DAY, 2 * DAY), profile) == []


def nights(days: int, seed: int, lift: np.ndarray) -> Readings:
    """A station that shuts each night; ``lift``: kPa above lock-up for each minute since it shut."""
    rng = np.random.default_rng(seed)
    minute = np.arange(days * DAY)
    shut = (minute % DAY >= SHUT_FROM) & (minute % DAY < SHUT_TO)
    flow = 10 + 4 * np.sin((minute % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, len(minute))
    flow = np.where(shut, 0.0, flow)
    since = np.clip(minute % DAY - SHUT_FROM, 0, SHUT_TO - SHUT_FROM - 1)
    outlet = np.where(shut, LOCK_KPA + lift[since], SET_KPA - 0.4 * (flow - 10))
    inlet = np.full(len(minute), INLET_KPA)
    return regular("made_up", 0, 60, outlet + rng.normal(0, 0.3, len(minute)), inlet_kpa=inlet, flow_lps=flow)


def test_nights_that_a_leak_lifts_are_no_schedule_and_nights_set_higher_are():
    length = SHUT_TO - SHUT_FROM
    lifted = learn(nights(14, 1, np.linspace(0.0, 60.0, length)), Known())
    assert lifted.set_pressure.source == "learned"
    higher = learn(nights(14, 1, np.full(length, 60.0)), Known())
    assert higher.set_pressure.source == "schedule learned"
