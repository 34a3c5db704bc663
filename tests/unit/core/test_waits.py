"""What is not named at once: small departures that may pass, strays that may be a limit, rises that may rest.

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
    LOCK_KPA,
    SET_KPA,
    SHUT_FROM,
    SHUT_TO,
    open_log,
    raised,
    shut_log,
    with_outlet,
    without_meter,
)

from steadyhead.conditions.drift import PLAIN, STOOD_S
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import regular


def ramp(days: int, from_minute: int, minutes: float, share: float, until: int | None = None) -> np.ndarray:
    """Grows to ``share`` within ``minutes`` and stays, or goes back at once at ``until``."""
    since = np.arange(days * DAY) - from_minute
    away = share * np.clip(since / minutes, 0.0, 1.0)
    if until is not None:
        away[until:] = 0.0
    return away


@pytest.fixture(scope="module")
def profile() -> Profile:
    return learn(open_log(14, 1), Known())


def test_a_small_departure_is_a_drift_once_it_has_stood_for_half_a_day(profile):
    small = 0.9 * PLAIN
    found = raised(open_log(4, 2, ramp(4, AT, 120.0, small)), profile)
    assert [c.condition for c in found] == ["drift"]
    assert found[0].at_s - 60 * AT > STOOD_S
    passing = ramp(4, AT, 120.0, small, until=AT + 9 * 60)
    assert raised(open_log(4, 2, passing), profile) == []


def test_a_larger_departure_does_not_wait(profile):
    found = raised(open_log(4, 2, ramp(4, AT, 120.0, 2.0 * PLAIN)), profile)
    assert [c.condition for c in found][:1] == ["drift"]
    assert found[0].at_s - 60 * AT < 0.5 * STOOD_S


def test_without_a_meter_nothing_is_gained_by_waiting():
    known = learn(without_meter(open_log(14, 1)), Known())
    found = raised(without_meter(open_log(4, 2, ramp(4, AT, 120.0, 0.9 * PLAIN))), known)
    assert [c.condition for c in found][:1] == ["drift"]
    assert found[0].at_s - 60 * AT < STOOD_S


@pytest.fixture(scope="module")
def nightly() -> Profile:
    return learn(shut_log(10, 1), Known())


def risen(day: int, minutes: np.ndarray, way_per_min: np.ndarray) -> np.ndarray:
    """Kilopascal added while shut on one night; ``way_per_min`` for each minute since closing."""
    added = np.zeros(len(minutes))
    first = day * DAY + SHUT_FROM
    here = (minutes >= first) & (minutes < day * DAY + SHUT_TO)
    added[here] = (INLET_KPA - LOCK_KPA) * np.cumsum(way_per_min)[minutes[here] - first]
    return added


@pytest.mark.parametrize(
    ("kind", "creeps"), [("a leak", True), ("warming", False)], ids=["a leak", "warming that slows down"]
)
def test_a_leak_that_begins_below_lock_up_is_told_from_warming(nightly, kind, creeps):
    """Closing slowly leaves the outlet low at first; what takes it up to lock-up says nothing of a leak."""
    log = shut_log(3, 2)
    minutes = np.arange(len(log))
    since = np.arange(SHUT_TO - SHUT_FROM)
    leak, warming = np.where(since < 45, 0.05 / 45, 0.00045), 0.0045 * np.exp(-since / 40.0)
    rate = leak if kind == "a leak" else warming
    outlet = log.outlet_kpa + risen(1, minutes, rate)
    night = (minutes >= DAY + SHUT_FROM) & (minutes < DAY + SHUT_TO)
    outlet[night] -= 0.05 * (INLET_KPA - LOCK_KPA)
    found = [c.condition for c in raised(with_outlet(log, outlet), nightly)]
    assert ("creep" in found) == creeps


def test_a_leak_read_in_coarse_counts_each_quarter_hour_is_found_in_its_first_night():
    """The reading stands still for a sample and then jumps by a count, though the outlet rises evenly."""
    profile = learn(shut_log(28, 1, 15, 3.0), Known())
    log = shut_log(3, 2, 15)
    minutes = 15 * np.arange(len(log))
    outlet = log.outlet_kpa + risen(1, minutes, np.full(SHUT_TO - SHUT_FROM, 0.0004))
    outlet = np.round(outlet / 3.0) * 3.0
    found = raised(with_outlet(log, outlet), profile)
    assert [c.condition for c in found][:1] == ["creep"]
    assert found[0].at_s <= 60 * (DAY + SHUT_TO)


def test_a_scheduled_set_that_dips_for_a_quarter_hour_hides_no_leak(nightly):
    """The way is counted from lock-up, which goes with the set: by that the outlet has not leapt."""
    dip = np.where(np.arange(672) % 96 == 10, -40.0, 0.0)  # the quarter hour from half past two
    slots = tuple(float(x) for x in nightly.set_pressure.typical_kpa + dip)
    scheduled = replace(nightly, set_pressure=replace(nightly.set_pressure, slots_kpa=slots))
    log = shut_log(3, 2)
    leak = risen(1, np.arange(len(log)), np.full(SHUT_TO - SHUT_FROM, 0.0005))
    found = raised(with_outlet(log, log.outlet_kpa + leak), scheduled)
    assert [c.condition for c in found][:1] == ["creep"]
    assert found[0].at_s <= 60 * (DAY + SHUT_TO)


def test_what_comes_with_closing_and_lies_under_most_of_the_way_is_no_creep(nightly):
    """A valve that closes late traps the pressure that it let through; warming adds a little."""
    log = shut_log(3, 2)
    minutes = np.arange(len(log))
    rate = np.full(SHUT_TO - SHUT_FROM, 0.0004)
    outlet = log.outlet_kpa + risen(1, minutes, rate)
    night = (minutes >= DAY + SHUT_FROM) & (minutes < DAY + SHUT_TO)
    outlet[night] += 0.27 * (INLET_KPA - LOCK_KPA)
    assert "creep" not in [c.condition for c in raised(with_outlet(log, outlet), nightly)]


def test_a_rise_past_a_quarter_of_the_way_that_has_come_to_rest_is_warming(nightly):
    log = shut_log(3, 2)
    rate = 0.0075 * np.exp(-np.arange(SHUT_TO - SHUT_FROM) / 35.0)
    outlet = log.outlet_kpa + risen(1, np.arange(len(log)), rate)
    assert outlet[DAY + SHUT_FROM : DAY + SHUT_TO].max() > LOCK_KPA + 0.255 * (INLET_KPA - LOCK_KPA)
    assert "creep" not in [c.condition for c in raised(with_outlet(log, outlet), nightly)]


def test_a_station_shut_at_hours_that_always_had_flow_is_fed_from_elsewhere(nightly):
    """However slowly the outlet rises: no leak shuts a station at noon."""
    log = shut_log(3, 2)
    outlet, flow = log.outlet_kpa.copy(), log.flow_lps.copy()
    rows = slice(DAY + 660, DAY + 900)
    flow[rows] = 0.0
    outlet[rows] = LOCK_KPA + (INLET_KPA - LOCK_KPA) * np.linspace(0.0, 0.9, 240)
    found = [c.condition for c in raised(with_outlet(log, outlet, flow), nightly)]
    assert found[:1] == ["unfamiliar"]


def test_a_shut_station_is_no_dead_meter_though_it_had_drifted_low(nightly):
    """It shut at an hour that always had flow; lock-up lies as low as the outlet stood before."""
    log = shut_log(4, 2)
    minutes = np.arange(len(log))
    off = -0.019 * SET_KPA * np.clip((minutes - DAY - 400) / 600.0, 0.0, 1.0)
    outlet, flow = log.outlet_kpa + off, log.flow_lps.copy()
    rows = slice(DAY + 1200, DAY + 1320)
    flow[rows] = 0.0
    outlet[rows] = LOCK_KPA + off[rows]
    assert "sensor_fault" not in [c.condition for c in raised(with_outlet(log, outlet, flow), nightly)]


@pytest.mark.parametrize(
    ("wide_open", "waits"), [(True, True), (False, False)], ids=["wide open", "nearly shut"]
)
def test_sags_where_a_valve_is_open_wide_may_be_its_limit_and_are_watched_for_a_day(
    profile, wide_open, waits
):
    log = open_log(5, 2)
    usual = open_log(5, 3).flow_lps
    outlet = log.outlet_kpa.copy()
    for start in range(DAY, 5 * DAY - 10, 40):
        if (usual[start] > 11.0) == wide_open:
            outlet[start : start + 8] -= 0.06 * SET_KPA
    judged = regular("made_up", 0, 60, outlet, inlet_kpa=log.inlet_kpa, flow_lps=log.flow_lps)
    found = [c for c in raised(judged, profile) if c.condition == "slow_response"]
    assert len(found) == 1
    assert (found[0].at_s - float(found[0].scene["slow_since_s"]) > 20 * 3600) == waits
