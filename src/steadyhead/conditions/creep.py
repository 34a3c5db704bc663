"""Creep when closed: with no flow the outlet rises from lock-up towards the inlet.

Told from: held shut by a neighbour (outlet follows the neighbour), warming of a dead end (rises only by
day), a meter cut-off that hides real flow (outlet stays near lock-up).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.held_shut import USUALLY_OPEN, follows_neighbour
from steadyhead.conditions.scene import CLOSING_S, SETTLING_S
from steadyhead.conditions.scene.shortfall import is_missing
from steadyhead.conditions.scene.shut import USUALLY_SHUT

FOLLOWS_S = 3000.0  # a neighbour that was set higher has lifted the district within this time
LEAST_STOOD_S = 7200.0  # small pipes take an hour or so to take on the ground's temperature (from memory)
STEADY = 0.75
OF_FASTEST = 0.6
FAR = 0.25  # once the surge of closing is over
ALL_THE_WAY = 0.9
SET_STILL_S = 1800.0  # until the district has followed a scheduled set, or water is drawn
LONG_SHUT_S = 2 * 3600.0
AT_ONCE = 0.6  # of the way
MOSTLY = 0.4  # of the way: what lies under it came with closing, not since
GROWN = 0.05  # of the way, since closing
WAY_SHARE = 0.055  # below the mild limit of 8 % of the way from lock-up to inlet


@njit(cache=True)
def carries_on(s):  # type: ignore[no-untyped-def]
    """It rises now about as fast as it did on the whole: a leak does, water that only warms up does not."""
    stood_s = s.shut_s - SETTLING_S
    if stood_s < LEAST_STOOD_S:
        return False
    on_the_whole = (s.way_smooth - s.way_shut) / stood_s
    return s.way_rate_now > STEADY * on_the_whole and s.way_rate_now > OF_FASTEST * s.way_rate_max


@njit(cache=True)
def grown(s):  # type: ignore[no-untyped-def]
    """How far the outlet has risen since closing, share of the way; an inlet that sinks is no rise."""
    return (s.outlet_kpa - s.outlet_shut_kpa) / max(s.inlet_kpa - s.lock_kpa, 1.0)


@njit(cache=True)
def rose_at_once(s):  # type: ignore[no-untyped-def]
    """After a long time shut most of the way was made within minutes, as a set that moves makes it.

    The learned schedule knows the half hour of a move, not its minute; and what would open a leak in a valve
    that stands still?
    """
    return s.shut_s > LONG_SHUT_S and s.way_leap > AT_ONCE * s.way and s.way < FAR


@njit(cache=True)
def is_far(s):  # type: ignore[no-untyped-def]
    """So high that no slow closing explains it: it still rises, or water still passes long after closing."""
    if s.way > ALL_THE_WAY:
        return True
    if s.near_zero == 0 and s.shut_s > CLOSING_S:
        return s.way > FAR
    # the nearer the inlet, the slower a leak; warming slows down long before, and closing is over by then
    goes_on = s.way_rate >= OF_FASTEST * (1.0 - s.way) * s.way_rate_max
    least = MOSTLY * s.way if s.near_zero > 0 else GROWN
    return s.way > FAR and grown(s) > least and goes_on


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for creep: 1 means raise. Size is the share of the way from lock-up to inlet."""
    claim = False
    if s.quiet > 0 and not np.isnan(s.way):
        least = max(WAY_SHARE, 1.4 * lim.way_high)
        rise = s.outlet_kpa - s.lock_kpa
        above = rise > max(4.0 * lim.tick_kpa, 0.01 * lim.set_kpa)
        held = s.zero_share < USUALLY_OPEN and follows_neighbour(s, lim)
        # a reading that stands as high while the valve regulates is no creep
        by_day_too = s.drift * lim.set_kpa > 0.5 * rise
        by_day = 7.0 <= s.hour_local < 19.0
        warming = by_day and lim.night_zero and s.night_way < 0.5 * s.way
        closed = s.zero_share > USUALLY_SHUT
        claim = s.way > least and above and closed and s.way < 1.3
        # what closing left behind stays where it is; creep goes on
        grows = is_far(s) or (grown(s) > 0.5 * s.way and carries_on(s))
        claim = claim and grows and s.short_s == 0 and not held and not warming and not by_day_too
        # a set that has just moved by schedule leaves a quiet district where the one before held it
        claim = claim and s.elsewhere == 0 and s.set_still_s > wait(s.tick_s, SET_STILL_S, 3.0)
        # nor where water is known to enter past this valve
        claim = claim and not rose_at_once(s) and not is_missing(s, lim)
    hold(own, claim, s.way if claim else own.size, s.time_s, s.tick_s)
    # at hours when it is shut as a rule the two stand alike whoever lifts them; a leak goes on
    alike = follows_neighbour(s, lim)
    return own.held_s / wait(s.tick_s, FOLLOWS_S if alike else 420.0, 2.0)
