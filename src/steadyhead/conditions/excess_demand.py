"""Excess demand: more flow than this station has ever shown at such an hour (main break, hydrant)."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait

OVER_HIGH = 1.35  # demand growth of a season stays below this


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for excess demand: 1 means raise. Size is flow over the usual of this hour [L/s]."""
    claim = False
    if lim.has_flow and s.flow_lps > 0:
        growth = max(s.growth, 1.0)
        over = s.flow_lps - growth * s.flow_usual_lps
        unusual = s.flow_lps > OVER_HIGH * growth * s.flow_high_lps and over > 0.4 * lim.daily_mean_lps
        beyond = s.flow_lps > 1.2 * growth * lim.highest_lps
        # what a higher pressure pushes through is no new demand; a break pulls the outlet down
        claim = (unusual or beyond) and not s.departure > lim.enter_share
    hold(own, claim, s.flow_lps - s.flow_usual_lps, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 900.0, 3.0)
