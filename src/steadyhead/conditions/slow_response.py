"""Slow response: the outlet strays further than it used to for the same changes of demand, and comes back.

Told from: batch demand (demand moves more, so the outlet may), hunting (the station's own beat), failure to
open or close (the outlet does not come back).
"""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold
from steadyhead.conditions.hunting import is_regular

LEAST_AGE_S = 6 * 3600.0


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for slow response: 1 means raise. Size is the stray at a usual change of demand [kPa]."""
    claim = False
    if lim.slow_judged and s.drift_age_s > LEAST_AGE_S and s.known > 0:
        beat = is_regular(s, lim) and s.with_flow > 0.15
        claim = s.slow_share > lim.slow_share and not beat
    hold(own, claim, s.slow_share * lim.set_kpa, s.time_s, s.tick_s)
    return own.held_s / 3600.0
