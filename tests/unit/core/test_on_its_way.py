"""Departures that come, go back or go on: what the way they take says of their cause.

The logs are made up, so that one thing differs at a time; they say what a rule answers to, not how good it is
(docs/evaluation.md does).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from made_up import (
    AT,
    DAY,
    INLET_KPA,
    SET_KPA,
    SHUT_FROM,
    SHUT_TO,
    is_shut,
    open_log,
    raised,
    shut_log,
    with_outlet,
    without_meter,
)

from steadyhead.conditions.drift import LATELY_S, PLAIN, STOOD_S
from steadyhead.engine import State, step
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular


def path(days: int, *points: tuple[float, float]) -> np.ndarray:
    """Straight lines between points (minutes after ``AT``, value); the first value before, the last after."""
    minutes, values = zip(*points, strict=True)
    return np.interp(np.arange(days * DAY) - AT, minutes, values)


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(open_log(14, 1), Known())


def test_a_departure_on_its_way_back_within_hours_is_no_drift(profile):
    """Wear does not heal: what stood further off an hour ago is a valve that answers late."""
    top = 3.0 * PLAIN
    goes = path(3, (0, 0.0), (60, top), (90, top), (90 + LATELY_S / 60, 0.0))
    assert "drift" not in [c.condition for c in raised(open_log(3, 2, goes), profile)]
    stays = path(3, (0, 0.0), (60, 0.5 * top), (600, 0.5 * top))
    assert "drift" in [c.condition for c in raised(open_log(3, 2, stays), profile)]


def test_a_drift_that_grows_past_what_is_plain_does_not_wait_for_its_mean(profile):
    """The mean of two hours lies below the limit from which nothing waits; the outlet itself does not."""
    [found, *_] = raised(open_log(4, 2, path(4, (0, 0.0), (480, 0.08))), profile)
    assert found.condition == "drift"
    assert abs(float(found.scene["drift"])) < PLAIN
    assert found.at_s - 60 * AT < STOOD_S


@pytest.mark.parametrize(
    ("minutes", "name"), [(60, "failure_to_open"), (240, "drift")], ids=["an hour", "four hours"]
)
def test_a_far_sag_that_came_within_the_hour_is_none_of_a_pilots(profile, minutes, name):
    """A choking screen: the outlet falls, and Kv with it, so that nothing looks fixed."""
    sag, less = path(3, (0, 0.0), (minutes, -0.22)), path(3, (0, 1.0), (minutes, 0.7))
    [first, *_] = raised(open_log(3, 2, sag, less), profile)
    assert (first.condition, first.at_s <= 60 * (AT + minutes)) == (name, True)


def test_a_far_sag_is_watched_for_half_as_long(profile):
    def delay_s(sag: float) -> int:
        """From the sag to the alert, of a valve that is stuck and cannot follow demand."""
        usual = open_log(3, 2)
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
    blind = learn(without_meter(open_log(14, 1)), Known())
    moves = tuple(SET_KPA + 2.0 * (quarter % 2) for quarter in range(672))
    scheduled = replace(
        blind, set_pressure=replace(blind.set_pressure, source="schedule learned", slots_kpa=moves)
    )
    empty = without_meter(open_log(3, 2, path(3, (0, 0.0), (12, -1.0))))
    found = [c for c in raised(empty, scheduled) if c.condition == "failure_to_open"]
    assert found
    assert found[0].at_s - 60 * AT < 30 * 60


def test_a_claim_that_no_longer_stands_raises_nothing(profile):
    """How long it has stood runs back more slowly than a departure passes."""
    state = State()
    step(state, open_log(1, 2), profile)
    state.held["held_s"] = 1e5
    later = open_log(2, 2)
    assert step(state, later.rows(DAY, 2 * DAY), profile) == []


def nights(days: int, seed: int, lift: np.ndarray) -> Readings:
    """A station that shuts each night; ``lift``: kPa above lock-up for each minute since it shut."""
    log = shut_log(days, seed)
    minute = np.arange(len(log))
    since = np.clip(minute % DAY - SHUT_FROM, 0, SHUT_TO - SHUT_FROM - 1)
    return with_outlet(log, log.outlet_kpa + np.where(is_shut(minute), lift[since], 0.0))


def test_nights_that_a_leak_lifts_are_no_schedule_and_nights_set_higher_are():
    length = SHUT_TO - SHUT_FROM
    lifted = learn(nights(14, 1, np.linspace(0.0, 60.0, length)), Known())
    assert lifted.set_pressure.source == "learned"
    higher = learn(nights(14, 1, np.full(length, 60.0)), Known())
    assert higher.set_pressure.source == "schedule learned"
