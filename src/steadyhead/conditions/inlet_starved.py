"""Inlet starved: the supply is short, so nothing can be said of the valve."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait

SAG_SHARE = 0.025
LEFT_SHARE = 0.3  # of set; less than that is a pipe that is being emptied, or an instrument


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for a starved inlet: 1 means raise."""
    # The inlet may stand below the outlet then: with the supply gone, the district is held by what it stores.
    # A faulty inlet transmitter reads low too, but leaves the outlet where it was.
    claim = s.known > 0 and s.starved > 0 and s.departure < -max(SAG_SHARE, lim.enter_share)
    claim = claim and s.inlet_kpa > LEFT_SHARE * lim.set_kpa
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 600.0, 2.0)
