"""Failure to close: with flow, the outlet stands above what is held and follows the inlet."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.drift import is_step
from steadyhead.conditions.scene import transition

RISE_SHARE = 0.04
FAR_SHARE = 0.15
OUT_OF_REACH = 0.25  # of set: no screw is turned so far in one go (common practice, no source)
RESTLESS = 0.02  # of set, from tick to tick
WATCHED_S = 1200.0  # since the jump
SURELY_FIXED = 0.8  # share of movement that an opening that does not move explains


@njit(cache=True)
def is_restless(s, lim):  # type: ignore[no-untyped-def]
    """Since it stands away the outlet has gone to and fro, as no transmitter does that only reads wrong."""
    return s.u_o > (RESTLESS * lim.set_kpa) ** 2


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for failure to close: 1 means raise."""
    claim = False
    rise = max(RISE_SHARE, 1.3 * lim.enter_share)
    if (
        s.known > 0
        and s.departure > rise
        and s.fast > 0.7 * rise
        and s.quiet == 0
        and s.starved == 0
        and s.short_s == 0
    ):
        if not lim.has_flow:
            claim = lim.has_inlet and (s.with_inlet > 0.5 or s.outlet_kpa > 0.9 * s.inlet_kpa)
        else:
            open_wide = s.wide > 0 and s.inlet_kpa > s.expected_kpa + 0.08 * lim.set_kpa
            claim = s.is_fixed > 0 or open_wide
            if not claim and s.departure > OUT_OF_REACH:
                # a transmitter that jumped would go on as evenly as before
                there_s = transition(s, s.fast)[1]
                restless = is_restless(s, lim) and there_s >= wait(s.tick_s, WATCHED_S, 3.0)
                claim = restless or not is_step(s, s.fast)
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    # a sluggish valve comes back by itself; far above set nobody waits to see
    seconds = 1800.0
    if s.departure > FAR_SHARE:
        seconds = 600.0
    elif s.is_fixed > 0 and s.fixed > SURELY_FIXED:
        seconds = 900.0
    return own.held_s / wait(s.tick_s, seconds, 2.0)
