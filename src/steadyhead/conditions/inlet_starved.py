"""Inlet starved: the supply is short, so nothing can be said of the valve."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait

SAG_SHARE = 0.025


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for a starved inlet: 1 means raise."""
    claim = s.known > 0 and s.starved > 0 and s.departure < -max(SAG_SHARE, lim.enter_share)
    claim = claim and s.outlet_kpa < s.inlet_kpa + 0.03 * lim.set_kpa
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 600.0, 2.0)
