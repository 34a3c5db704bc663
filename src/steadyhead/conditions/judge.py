"""All conditions over a run of ticks: who may speak, when an alert is raised, when it has cleared.

The kernel walks tick by tick and notes each raise and each clear with a copy of the records at that moment,
so that what is said of an alert is what was known when it was raised.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from steadyhead.conditions import (
    creep,
    drift,
    excess_demand,
    failure_to_close,
    failure_to_open,
    held_shut,
    hunting,
    inlet_starved,
    sensor_fault,
    set_changed,
    slow_response,
    telemetry_loss,
    unfamiliar,
)
from steadyhead.conditions.base import HELD, INDEX, RECURS_S, wait
from steadyhead.conditions.scene import SCENE, update
from steadyhead.conditions.scene.numbers import N_PAST

EVENT = np.dtype(
    [("tick", "i8"), ("condition", "i8"), ("kind", "i8")]
)  # 1 raised, -1 cleared, 2 looked at again
MOST_EVENTS = 64  # per call; the caller comes back for the rest
DAILY = ("drift", "swing", "scatter", "slow")  # what is kept of each day while learning

DRIFT, CREEP, OPEN, HUNTING = INDEX["drift"], INDEX["creep"], INDEX["failure_to_open"], INDEX["hunting"]
CLOSE, SLOW, SET = INDEX["failure_to_close"], INDEX["slow_response"], INDEX["set_changed"]
STARVED, EXCESS, SENSOR = INDEX["inlet_starved"], INDEX["excess_demand"], INDEX["sensor_fault"]
TELEMETRY, HELD_SHUT, UNFAMILIAR = INDEX["telemetry_loss"], INDEX["held_shut"], INDEX["unfamiliar"]
_DEPARTURES = np.array([DRIFT, CREEP, OPEN, CLOSE, SLOW, SET, STARVED, EXCESS, HELD_SHUT])
_HIDES_RESPONSE = np.array([CREEP, STARVED, EXCESS, SENSOR, HELD_SHUT, UNFAMILIAR])
_N = len(INDEX)


def _clear_times() -> NDArray[Any]:
    times = np.full(_N, 2 * 3600.0)
    for number in (DRIFT, CREEP, OPEN, CLOSE, HUNTING, SLOW, SET, UNFAMILIAR, HELD_SHUT):
        times[number] = RECURS_S
    times[TELEMETRY] = 600.0
    return times


_CLEAR_S = _clear_times()
FIRST_LOOK_S = 1800.0  # what stands is looked at again half an hour after its raise, then at twice the age


@njit(cache=True)
def _judge_all(s, held, lim, support):  # type: ignore[no-untyped-def]
    support[DRIFT] = drift.judge(s, held[DRIFT], lim)
    support[CREEP] = creep.judge(s, held[CREEP], lim)
    support[OPEN] = failure_to_open.judge(s, held[OPEN], lim)
    support[HUNTING] = hunting.judge(s, held[HUNTING], lim)
    support[CLOSE] = failure_to_close.judge(s, held[CLOSE], lim)
    support[SLOW] = slow_response.judge(s, held[SLOW], lim)
    support[SET] = set_changed.judge(s, held[SET], lim)
    support[STARVED] = inlet_starved.judge(s, held[STARVED], lim)
    support[EXCESS] = excess_demand.judge(s, held[EXCESS], lim)
    support[SENSOR] = sensor_fault.judge(s, held[SENSOR], lim)
    support[TELEMETRY] = telemetry_loss.judge(s, held[TELEMETRY], lim)
    support[HELD_SHUT] = held_shut.judge(s, held[HELD_SHUT], lim)
    support[UNFAMILIAR] = unfamiliar.judge(s, held[UNFAMILIAR], lim)


@njit(cache=True)
def _has_grown(c, other, s, named):  # type: ignore[no-untyped-def]
    """What was a drift or a step has become far larger, and a harder name fits it."""
    if c == CREEP and other in (DRIFT, SET, SLOW):
        return s.way > creep.FAR and s.outlet_kpa - s.lock_kpa > 3.0 * abs(named.worst)
    if c not in (OPEN, CLOSE) or other not in (DRIFT, SET, SLOW):
        return False
    return abs(s.departure) > 0.08 and abs(s.departure_kpa) > 2.0 * abs(named.worst)


@njit(cache=True)
def _may_speak(c, s, held, lim, support):  # type: ignore[no-untyped-def]
    """No second name for one episode, and no guess while a better explanation is being looked at."""
    if c == TELEMETRY:
        return True
    if c == SENSOR:
        # a number can be off by a unit factor, or inlet below outlet, or flow zero, for reasons already named
        if held[SENSOR].kind == sensor_fault.SPIKING:
            return held[HUNTING].active == 0 and held[HUNTING].stands == 0
        if held[SENSOR].kind <= sensor_fault.SWAPPED:
            return True
        for other in _DEPARTURES:
            if held[other].active > 0:
                return False
        return held[UNFAMILIAR].active == 0
    if held[SENSOR].active > 0 or (held[SENSOR].stands > 0 and support[SENSOR] > 0.2):
        return False
    if c == UNFAMILIAR and held[UNFAMILIAR].kind != unfamiliar.UNLIKE:
        for other in _DEPARTURES:
            if held[other].active > 0:
                return False
        return s.short_s == 0
    if c == UNFAMILIAR:
        if s.slow_share > 0.7 * lim.slow_share and lim.slow_judged:
            return False
        if s.novel <= 1.0 or abs(s.drift) > 0.5 * lim.drift_share or abs(s.fast) > lim.enter_share:
            return False
        for other in range(_N):
            if other != UNFAMILIAR and (held[other].active > 0 or support[other] > 0.3):
                return False
        return True
    if c == HUNTING:
        if held[HUNTING].kind == 1.0:
            return True
        # where an outlet comes down from a closed night it moves far, and flow goes with it
        if held[CREEP].active > 0 or held[HELD_SHUT].active > 0:
            return False
        for other in (OPEN, CLOSE, STARVED, EXCESS, SLOW):
            if held[other].active > 0 or held[other].stands > 0:
                return False
        return True
    for other in _DEPARTURES:
        if other != c and held[other].active > 0 and not _has_grown(c, other, s, held[other]):
            return False
    if c == SLOW and abs(s.fast) > lim.enter_share:
        return False
    if c == DRIFT and held[SLOW].stands > 0:
        return False  # strays that pass move the mean of two hours as well
    if c in (DRIFT, SLOW):
        for other in (CREEP, OPEN, CLOSE, SET, STARVED, EXCESS, HELD_SHUT, HUNTING):
            if held[other].active > 0 or (held[other].stands > 0 and support[other] > 0.2):
                return False
    if c == OPEN:
        return held[EXCESS].stands == 0
    if c == STARVED:
        return held[EXCESS].stands == 0
    if c == SET:
        return held[OPEN].stands == 0 and held[CLOSE].stands == 0
    if c == CREEP:
        # a valve that closes late leaves the outlet high as well
        return held[HELD_SHUT].stands == 0 and held[UNFAMILIAR].active == 0 and held[SLOW].stands == 0
    return True


@njit(cache=True)
def _is_back(c, s, own, lim):  # type: ignore[no-untyped-def]
    if own.stands > 0:
        return False
    if c in (DRIFT, OPEN, CLOSE, SET, SENSOR):
        return s.known > 0 and abs(s.fast) < 0.8 * lim.enter_share
    if c in (UNFAMILIAR, TELEMETRY):
        return True
    return s.known > 0


@njit(cache=True)
def _note_day(s, lim, day):  # type: ignore[no-untyped-def]
    if s.known == 0:
        return
    if s.drift_age_s > drift.LEAST_AGE_S:
        day[0] = max(day[0], abs(s.drift))
    if not hunting.comes_from_outside(s, lim):
        if hunting.is_regular(s, lim):
            day[1] = max(day[1], s.swing_kpa / lim.set_kpa)
        if hunting.is_settled(s):
            day[2] = max(day[2], hunting.scatter_swing_kpa(s, lim) / lim.set_kpa)
    if s.lag_age_s > slow_response.LEAST_AGE_S:
        day[3] = max(day[3], s.slow_share)


@njit(cache=True)
def _is_look_due(c, s, own, asked):  # type: ignore[no-untyped-def]
    """At twice the age of the look before, once the claim stands; and when another claim has become ripe."""
    if asked or own.stands == 0:
        return bool(asked)
    age_s = s.time_s - own.raised_s
    return age_s >= FIRST_LOOK_S and age_s >= 2.0 * (own.looked_s - own.raised_s)


@njit(cache=True)
def advance(  # type: ignore[no-untyped-def]
    table,
    first,
    start_s,
    tick_s,
    around,
    scene,
    held,
    limits,
    familiar,
    silent,
    daily,
    hours,
    pasts,
    events,
    scenes,
    helds,
):
    """Judge ticks from ``first`` on until the table or the room for events ends.

    around : shape (n_ticks, 6), as ``profile.expect.around`` makes it
    limits : as ``scene.as_record`` makes them
    silent : learning; nothing is raised and the largest statistic of each day goes to ``daily``
        (n_days, 4), the features of each hour to ``hours`` (n_hours, 5), what the scene remembers then to
        ``pasts`` (n_hours, 14)
    Returns (next tick, number of events).
    """
    s, lim = scene[0], limits[0]
    support = np.zeros(_N)
    n_events = 0
    for k in range(first, table.shape[0]):
        s.time_s = start_s + k * tick_s
        s.tick_s = tick_s
        a = around[k]
        update(s, table[k], a[0], a[1], a[2], a[3], a[4], a[5], lim, familiar)
        if silent:
            _note_day(s, lim, daily[int((k * tick_s) // 86400)])
            if s.h_closed > 0:
                hours[int((k * tick_s) // 3600)] = s.h_mean
                for i in range(N_PAST):
                    if s.past_n[i] > 0:
                        pasts[int((k * tick_s) // 3600), i] = s.past[3 * i]
            continue
        _judge_all(s, held, lim, support)
        for c in _HIDES_RESPONSE:
            if held[c].active > 0:
                slow_response.forget(s)
        asked = False
        for c in range(_N):
            own = held[c]
            if own.held_s <= 0.0:
                own.asked = 0.0
            elif own.active == 0 and own.asked == 0 and support[c] >= 1.0 and own.stands > 0:
                own.asked = 1.0
                asked = True
        for c in range(_N):
            own = held[c]
            event = 0
            if own.active > 0 and c != UNFAMILIAR:
                s.novel_hours = 0.0
            if own.active > 0:
                own.clear_s = own.clear_s + tick_s if _is_back(c, s, own, lim) else 0.0
                if own.clear_s >= wait(tick_s, _CLEAR_S[c], 4.0):
                    own.active = 0.0
                    own.held_s = 0.0
                    event = -1
                elif _is_look_due(c, s, own, asked):
                    own.looked_s = s.time_s
                    event = 2
            elif support[c] >= 1.0 and own.stands > 0 and _may_speak(c, s, held, lim, support):
                own.active = 1.0
                own.clear_s = 0.0
                own.raised_s = s.time_s
                own.looked_s = s.time_s
                event = 1
            if event != 0:
                events[n_events].tick = k
                events[n_events].condition = c
                events[n_events].kind = event
                scenes[n_events] = scene[0]
                helds[n_events] = held
                n_events += 1
        if n_events > MOST_EVENTS - _N:
            return k + 1, n_events
    return table.shape[0], n_events


def room_for_events(n_ticks: int) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Arrays that ``advance`` writes events to, with the scene and all conditions' records at that moment.

    n_ticks : how many will be judged; for one, as in a live run, little room will do. It is not cleared:
        that took longer than to judge a tick
    """
    n = min(MOST_EVENTS, _N * n_ticks)
    return np.empty(n, dtype=EVENT), np.empty(n, dtype=SCENE), np.empty((n, _N), dtype=HELD)
