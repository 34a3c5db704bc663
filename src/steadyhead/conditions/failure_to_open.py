"""Failure to open: the outlet sags under demand although the inlet is adequate.

The valve's effective Kv stays where it is while demand moves, and below what it has shown it can reach.
Told from: starved inlet (no differential to work with), excess demand (Kv at its reach, flow unusual),
a set lowered on purpose (a step, after which the outlet is held while Kv follows demand).
"""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.drift import is_step, sags_with_demand
from steadyhead.conditions.scene import transition
from steadyhead.conditions.set_changed import EMPTY_SHARE, is_pinched

DEEP_SHARE = 0.08  # a drift is named long before it gets there
SEEN = 5  # ticks since a step before its opening is called fixed
SURELY_FIXED = 0.9
FAR_SHARE = 0.10  # hardly anybody turns a screw that far in one go
TAKEN_UP_S = 900.0  # after a scheduled change of the set pressure
SINKS_S = 2700.0  # from 30 to 75 % of the sag: quicker than a spring gives way, slower than a hand
WATCHED_S, FAR_WATCHED_S = 480.0, 240.0
SAG_SHARE = 0.03  # below the mild limit of 5 % of set, above any droop left unexplained


@njit(cache=True)
def sinks(s):  # type: ignore[no-untyped-def]
    """The outlet has come far down within the hour and not at once, as no pilot makes it do."""
    took_s = transition(s, s.fast)[0]
    return s.departure < -FAR_SHARE and took_s < SINKS_S and not is_step(s, s.fast)


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for failure to open: 1 means raise."""
    claim = False
    sag = max(SAG_SHARE, 1.3 * lim.enter_share)
    sags = s.departure < -sag and s.fast < -0.7 * sag
    # a set that has just gone up by schedule is still being taken up, but no district runs empty of it
    taken_up = s.set_still_s > wait(s.tick_s, TAKEN_UP_S, 2.0) or s.fast < -EMPTY_SHARE
    if s.known > 0 and s.starved == 0 and sags and taken_up and lim.has_inlet:
        if not lim.has_flow:
            # without a meter a step may be anything, unless it is larger than a screw can make it
            slow = not is_step(s, s.fast) and s.drift > 0.5 * s.fast
            claim = slow or s.fast < -EMPTY_SHARE
        elif s.near_zero > 0:
            # a set that was lowered shuts the valve too, until the district has come down to it
            # with no flow at all: the district is being drawn empty
            claim = s.departure < -EMPTY_SHARE
        else:
            below_reach = s.kv < 0.97 * lim.kv_reached
            with_demand = s.is_regulating == 0 and sags_with_demand(s) and not is_step(s, s.departure)
            deep = s.departure < -DEEP_SHARE and not is_step(s, s.departure)
            deep = deep and s.is_regulating == 0
            seen = s.w_n >= SEEN or (s.w_n >= SEEN - 1 and s.fixed > SURELY_FIXED)
            sure = seen or s.departure < -FAR_SHARE or not is_step(s, s.departure)
            fixed = s.is_fixed > 0 and sure
            claim = below_reach and (fixed or with_demand or deep or sinks(s) or is_pinched(s, lim))
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    far = s.departure < -FAR_SHARE and s.fast < -FAR_SHARE
    return own.held_s / wait(s.tick_s, FAR_WATCHED_S if far else WATCHED_S, 2.0)
