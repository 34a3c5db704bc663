"""Drift: while regulating, the outlet departs slowly from what was learned.

Told from its look-alikes: a deliberate set change is a step and stays flat; a droop that follows new demand
is in the expectation already; a sag that grows with demand while low flows are held is failure to open.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold
from steadyhead.conditions.scene import transition
from steadyhead.conditions.scene.leaning import SPREAD, SURE, leaning
from steadyhead.conditions.scene.record import RING_TICKS

STEP_S = 900.0  # a hand on a pilot screw takes minutes; a spring or a clogging strainer takes hours
STEP_TICKS = 3.0  # the short mean needs them, at coarse sampling, to show most of a step
FLAT_RATIO = 0.3
BEFORE_RATIO = 0.35  # of the level, on the mean of the half hour before a step
SLOWLY = 2.5  # the mean of five minutes over that of two hours: more is a jump, not a drift
LEAST_AGE_S = 5400.0  # regulating time behind the mean before it is believed
STAYS_S = 7200.0  # a drift stands all the time; a valve that comes back late strays and returns
STAYS_SHARE = 0.75
STAYS_LEVEL = 0.6  # of the mean
STRAYS = 0.25  # of the mean, root mean square
LEANS = 0.085  # relative change over that of the opening; about a sixth where a pilot is half blocked (plant)
LEAST_SPREAD = 0.08  # of the mean opening; less says little
LEANS_MUCH = 0.2
LEANS_FAR = 0.6  # a valve at its limit falls behind far more
STOOD_S = 12 * 3600.0  # half a day of demand has come and gone
PLAIN = 0.022  # of set: what is larger does not wait,
PLAIN_NOW = 0.03  # nor what has grown beyond that while the mean follows
SMALL = 0.06  # of set; what comes at once and is larger is hardly a pilot's restriction
KNOWN_S = 3 * 3600.0  # by then it is plain how a departure came about,
FORGOTTEN_S = 7 * 3600.0  # and the ring of a minute's ticks still tells
STRAYED_S = 26 * 3600.0  # since the last stray that passed
LATELY_S = 4 * 3600.0  # what has come since then
HELD = 0.3  # of the level
FURTHER = 1.2  # and was further off meanwhile, is on its way back: wear does not heal


@njit(cache=True)
def sags_with_demand(s):  # type: ignore[no-untyped-def]
    """Little demand was held within a third of the present sag, not longer ago than a day and a bit."""
    recent = s.time_s - s.low_class_at_s < 28 * 3600.0
    return recent and s.departure < 0 and s.low_class > 0.35 * s.departure


@njit(cache=True)
def stays(s, level):  # type: ignore[no-untyped-def]
    """The outlet has stood off for most of the last hours, and did not only make excursions."""
    n = int(min(s.ring_n, RING_TICKS))
    newest = int(s.ring_n) - 1
    sign = 1.0 if level > 0 else -1.0
    off, seen = 0, 0
    for back in range(n):
        k = (newest - back) % RING_TICKS
        if seen >= 4 and s.ring_s[k] < s.time_s - STAYS_S:
            break
        seen += 1
        off += sign * s.ring[k] > STAYS_LEVEL * abs(level)
    return off >= STAYS_SHARE * seen


@njit(cache=True)
def goes_back(s, level):  # type: ignore[no-untyped-def]
    """The departure came within hours, was further off meanwhile, and is on its way back."""
    n = int(min(s.ring_n, RING_TICKS))
    newest = int(s.ring_n) - 1
    sign = 1.0 if level > 0 else -1.0
    furthest, was_held = 0.0, False
    for back in range(n):
        k = (newest - back) % RING_TICKS
        if s.ring_s[k] < s.time_s - LATELY_S:
            break
        furthest = max(furthest, sign * s.ring[k])
        was_held = was_held or sign * s.ring[k] < HELD * abs(level)
    return was_held and furthest > FURTHER * abs(s.fast)


@njit(cache=True)
def strays(s, lim):  # type: ignore[no-untyped-def]
    """It goes to and fro about its mean, as a slow valve does; one that drifts is held as well as ever."""
    to_and_fro = s.s_rr > (STRAYS * s.drift * lim.set_kpa) ** 2
    came_back = s.time_s - s.strays_s[0] < STRAYED_S
    return lim.slow_judged and s.slow_share > lim.slow_share and to_and_fro and came_back


@njit(cache=True)
def came_at_once(s, took_s, before, ticks):  # type: ignore[no-untyped-def]
    """What ``transition`` tells is a step: within minutes, or ``ticks`` where sampling is coarse."""
    return took_s <= max(STEP_S, ticks * s.tick_s) and before < BEFORE_RATIO


@njit(cache=True)
def is_step(s, level):  # type: ignore[no-untyped-def]
    """The departure came within minutes, or between two samples where sampling is coarse."""
    took_s, _, _, before = transition(s, level)
    return came_at_once(s, took_s, before, 2.0)


@njit(cache=True)
def may_be_step(s, level):  # type: ignore[no-untyped-def]
    """The same, as far as the short mean can tell at coarse sampling."""
    took_s, _, _, before = transition(s, level)
    return came_at_once(s, took_s, before, STEP_TICKS)


@njit(cache=True)
def leans(s):  # type: ignore[no-untyped-def]
    """The departure, a small one, grows with the opening that demand asks for."""
    share, error, spread = leaning(s)
    return share > max(LEANS, SURE * error) and abs(s.fast) < SMALL and spread > LEAST_SPREAD


@njit(cache=True)
def leans_far(s):  # type: ignore[no-untyped-def]
    """The departure, of whatever size, goes so much with demand that no screw made it."""
    share, error, spread = leaning(s)
    return share > max(LEANS_MUCH, SURE * error) and spread > SPREAD


@njit(cache=True)
def stands_upright(s):  # type: ignore[no-untyped-def]
    """Demand has moved, and the departure did not go with it; or it is too large to ask."""
    share, error, spread = leaning(s)
    if abs(s.fast) > SMALL or np.isinf(error):
        return True
    if spread > SPREAD:
        return not share > max(LEANS, SURE * error)
    return abs(share) + SURE * error < LEANS  # demand has moved a little, and that was enough


@njit(cache=True)
def may_pass(s, lim):  # type: ignore[no-untyped-def]
    """Small, and not yet there for half a day: what a valve that answers badly leaves has passed by then."""
    recent = s.time_s - abs(s.drift_off_s) <= STOOD_S
    return lim.has_flow and recent and abs(s.drift) <= PLAIN and abs(s.fast) <= PLAIN_NOW


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for drift: 1 means raise."""
    claim = False
    if s.known > 0 and s.drift_age_s > LEAST_AGE_S and s.quiet == 0 and s.starved == 0:
        d = s.drift
        same = d * s.fast > 0 and 0.6 * abs(d) < abs(s.fast) < SLOWLY * abs(d)
        if abs(d) > lim.drift_share and same and s.is_fixed == 0 and not may_pass(s, lim):
            demand = s.is_regulating == 0 and sags_with_demand(s)
            if not lim.has_flow and KNOWN_S < s.lean_s < FORGOTTEN_S and may_be_step(s, d):
                s.lean_at_once = 1.0
            at_once = (may_be_step(s, d) or s.lean_at_once > 0) and not (
                leans(s) and leaning(s)[0] < LEANS_FAR
            )
            claim = not demand and stays(s, d) and not at_once and not strays(s, lim) and not goes_back(s, d)
    if s.known > 0:
        hold(own, claim, s.drift * lim.set_kpa, s.time_s, s.tick_s)
    if np.isnan(s.drift):
        return 0.0
    return own.held_s / max(900.0, 2.0 * s.tick_s)
