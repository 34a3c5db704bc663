"""Slow response: the outlet strays further than it used to for the same changes of demand, and comes back.

Told from: batch demand (demand moves more, so the outlet may), hunting (the station's own beat), failure to
open or close (the outlet does not come back).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import RECURS_S, hold
from steadyhead.conditions.hunting import is_regular

LEAST_AGE_S = 6 * 3600.0
OWN_BEAT = 0.09  # correlation of stray and demand: below zero where demand leads, above where the valve does
WIDER = 1.1  # than the usual opening
BELOW = 0.3  # share of the stray that lies below
WATCHED_S = 23 * 3600.0  # until the next peak of demand
TWICE_S = 26 * 3600.0  # twice in a day: once may be anything
AT_ONE_OPENING = 0.085  # variance of ln Kv while the outlet sags, over that of all: it sags at its reach


@njit(cache=True)
def beats_by_itself(s):  # type: ignore[no-untyped-def]
    """Flow follows the outlet instead of leading it."""
    return s.s_rz > OWN_BEAT * np.sqrt(s.s_rr * s.s_zz)


@njit(cache=True)
def sags_at_its_reach(s):  # type: ignore[no-untyped-def]
    """It strays only downwards, and always at the same opening: it cannot open further."""
    return s.s_nn > BELOW * s.s_rr and s.sag_kv_var < AT_ONE_OPENING * s.all_kv_var


@njit(cache=True)
def may_be_its_reach(s, lim):  # type: ignore[no-untyped-def]
    """It strays downwards where it is open wider than usual: the next peak shows whether it can open more."""
    return s.s_nn > BELOW * s.s_rr and s.sag_kv > np.log(WIDER * lim.kv_typical)


@njit(cache=True)
def forget(s):  # type: ignore[no-untyped-def]
    """What was seen while something else was wrong says nothing of the response."""
    s.s_rr = s.s_zz = s.s_rz = s.s_nn = 0.0
    s.slow_share = 0.0
    s.lag_age_s = 0.0


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for slow response: 1 means raise. Size is the stray at a usual change of demand [kPa]."""
    claim = False
    # means flatten a stray: enough to tell it from a drift, not to say that it is larger than it was
    if lim.slow_judged and not lim.averaged and s.lag_age_s > LEAST_AGE_S and s.known > 0:
        beat = is_regular(s, lim) and s.with_flow > 0.15
        beat = beat or beats_by_itself(s)
        twice = s.time_s - s.strays_s[1] < TWICE_S
        claim = s.slow_share > lim.slow_share and twice and not beat and not sags_at_its_reach(s)
    hold(own, claim, s.slow_share * lim.set_kpa, s.time_s, s.tick_s)
    if claim:
        if s.time_s - s.slow_seen_s > RECURS_S:
            s.slow_since_s = s.time_s
        s.slow_seen_s = s.time_s
    if may_be_its_reach(s, lim) and s.time_s - s.slow_since_s < WATCHED_S:
        return 0.0
    return own.held_s / 3600.0
