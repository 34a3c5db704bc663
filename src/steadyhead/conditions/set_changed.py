"""Set pressure changed: the outlet stepped to another level and is held there as well as before."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.drift import FLAT_RATIO, STEP_TICKS, came_at_once, leans, leans_far, stands_upright
from steadyhead.conditions.scene import transition

SETTLED_S = 4 * 3600.0  # a fault that came as a step shows itself within this time as demand moves
SETTLED_SAMPLES = 4
STILL_S = 3600.0  # after a scheduled change of the set pressure
EMPTY_SHARE = 0.25  # lower than that the district is running empty
WATCHED_S = 7 * 3600.0  # by then demand has moved, or will not
LEAST_STEP = 0.022  # of set
LEAST_STEP_BLIND = 0.025  # without a meter the morning's droop is a step too
EVEN = 0.05  # change of flow from tick to tick, root mean square
PINCHED = 0.6  # of the usual flow; a district at 15 % less pressure takes at most a tenth less
IMPOSSIBLE_STEP = 0.2  # of set: nobody turns a pilot so far in one go (common practice, no source)


@njit(cache=True)
def is_pinched(s, lim):  # type: ignore[no-untyped-def]
    """Far less water than usual passes, and always as much: an opening that does not answer demand."""
    if not lim.has_flow or s.near_zero > 0 or not s.flow_usual_lps > 0.2 * lim.daily_mean_lps:
        return False
    even = s.w_n >= 6 and s.u_x < EVEN * EVEN
    return even and s.departure < 0 and s.flow_lps < PINCHED * s.flow_usual_lps


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for a changed set pressure: 1 means raise."""
    claim = False
    least = max(1.3 * lim.enter_share, LEAST_STEP if lim.has_flow else LEAST_STEP_BLIND)
    if (
        s.known > 0
        and s.quiet == 0
        and s.starved == 0
        and abs(s.fast) > least
        and s.is_fixed == 0
        and not is_pinched(s, lim)
    ):
        took_s, age_s, change, before = transition(s, s.fast)
        step = came_at_once(s, took_s, before, STEP_TICKS) and abs(s.fast) < IMPOSSIBLE_STEP
        claim = step and change < FLAT_RATIO and age_s >= wait(s.tick_s, SETTLED_S, SETTLED_SAMPLES)
        # without a meter nobody knows whether the district has drawn down to a set that went lower
        drawn = lim.has_flow or s.fast < 0.0 or abs(age_s - s.set_still_s) > STILL_S
        seen = stands_upright(s) or (age_s > WATCHED_S and not leans(s))
        seen = seen and not leans_far(s)
        claim = claim and drawn and seen
    if s.known > 0 and s.near_zero > 0 and s.starved == 0:
        # shut, and yet below lock-up: the set was lowered and the district has not come down to it
        below = (
            s.outlet_kpa < s.lock_kpa - LEAST_STEP_BLIND * lim.set_kpa
            and s.departure < 0.0
            and s.fast > -EMPTY_SHARE
            and s.set_still_s > STILL_S
        )
        claim = below and s.zero_s >= wait(s.tick_s, SETTLED_S, SETTLED_SAMPLES)
    hold(own, claim, s.fast * lim.set_kpa, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 1200.0, 3.0)
