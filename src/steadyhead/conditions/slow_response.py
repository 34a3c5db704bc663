"""Slow response: the outlet sags when demand rises and overshoots when it falls, then comes back."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold

LEAST_CORRELATION = 0.45


@njit(cache=True)  # type: ignore[misc]
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for slow response: 1 means raise. Size is the sag at a usual rise of demand [kPa]."""
    claim = False
    if lim.slow_judged and s.drift_age_s > 6 * 3600.0 and s.known > 0:
        claim = s.slow_share > lim.slow_share and s.slow_corr > LEAST_CORRELATION
    hold(own, claim, s.slow_share * lim.set_kpa, s.time_s, s.tick_s)
    return own.held_s / 5400.0
