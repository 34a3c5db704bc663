"""Sensor fault: what the water cannot have done.

Kinds: 1 stuck, 2 spiking, 3 out of range, 4 inlet and outlet swapped, 5 scaled by a unit factor,
6 inlet reads below outlet while water flows, 7 flow meter dead, 8 inlet scaled by a unit factor, 9 outlet
jumped further than any screw could turn it, with the flow unmoved.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.drift import is_step
from steadyhead.conditions.failure_to_close import is_restless
from steadyhead.conditions.inlet_starved import SAG_SHARE
from steadyhead.conditions.scene import transition
from steadyhead.conditions.set_changed import IMPOSSIBLE_STEP

LOW_SHARE = 0.05  # of the mean flow: near the least a meter tells, it says the same for long
APART = 0.08  # of set: nearer than that, a short supply and what it leaves of the outlet
FAR_UP = 2.0  # of the usual inlet: no main is run at twice its pressure (common practice, no source)
TOLD_SHARE = 0.005  # of set
LONG_ZERO_S = 3 * 3600.0  # no district draws nothing for so long at hours that always had flow
STUCK, SPIKING, OUT_OF_RANGE, SWAPPED, SCALED, CROSSED, METER_DEAD, INLET_SCALED, OFFSET = range(1, 10)
KIND_NAMES = (
    "", "stuck", "spiking", "out of range", "swapped", "scaled", "crossed", "meter dead", "inlet scaled",
    "offset",
)  # fmt: skip
UNIT_FACTORS = np.array(
    [6.894757, 1 / 6.894757, 10.0, 0.1, 9.80665, 1 / 9.80665, 2.30666, 1 / 2.30666, 100.0, 0.01]
)


@njit(cache=True)
def _is_factor(ratio):  # type: ignore[no-untyped-def]
    if not ratio > 0:
        return False
    for factor in UNIT_FACTORS:
        if abs(np.log(ratio / factor)) < 0.05:
            return True
    return False


@njit(cache=True)
def _kind(s, lim):  # type: ignore[no-untyped-def]
    if s.implausible_rate > 0.5:
        return 3.0
    limit = max(lim.still_limit_s * 4.0, 1800.0, 8.0 * s.tick_s)
    if not lim.on_change and s.known > 0:
        if s.still_outlet_s > limit or s.still_inlet_s > limit:
            return 1.0
        if s.still_flow_s > limit and s.flow_lps > max(lim.near_zero_lps, LOW_SHARE * lim.daily_mean_lps):
            return 1.0
    if s.spike_rate * 21600.0 / s.tick_s > 3.0:
        return 2.0
    if s.known == 0:
        return 0.0
    if s.near_zero > 0 and s.zero_s > wait(s.tick_s, 1800.0, 4.0):
        healthy = abs(s.departure) < 0.012 and s.zero_share < 0.01
        # a quiet holiday leaves it at lock-up, unless a neighbour that holds the district would show;
        # lock-up lies as low as the outlet stood before; where it hardly differs from set it tells nothing
        low_kpa = max(0.0, -s.drift) * lim.set_kpa
        as_if_shut = s.outlet_kpa > s.lock_kpa - low_kpa - lim.tick_kpa and lim.lock_known
        tells = lim.lock_rise_kpa > max(2.0 * lim.tick_kpa, TOLD_SHARE * lim.set_kpa)
        is_held = np.isnan(s.neighbour_kpa) or s.neighbour_kpa > s.outlet_kpa
        if healthy and (not (as_if_shut and is_held) or (s.zero_s > LONG_ZERO_S and not tells)):
            return 7.0
    if np.isnan(s.inlet_kpa):
        return 0.0
    inlet_usual = lim.inlet_usual_kpa
    crossed = s.inlet_kpa < s.outlet_kpa - 0.03 * lim.set_kpa and s.flow_lps > lim.near_zero_lps
    swapped = abs(s.inlet_kpa - lim.set_kpa) < 0.1 * lim.set_kpa
    swapped = swapped and abs(s.outlet_kpa - inlet_usual) < 0.35 * abs(inlet_usual - lim.set_kpa)
    if swapped and s.inlet_kpa < s.outlet_kpa:
        return 4.0
    # an outlet at the inlet's level has been let through, whatever the ratio
    apart = abs(s.inlet_kpa - s.outlet_kpa) > 0.03 * s.inlet_kpa
    if abs(s.departure) > 0.5 and apart and _is_factor(s.outlet_kpa / s.expected_kpa) and is_step(s, s.fast):
        return 5.0
    if (
        abs(s.inlet_kpa / inlet_usual - 1) > 0.5
        and abs(s.inlet_kpa - s.outlet_kpa) > APART * lim.set_kpa
        and (_is_factor(s.inlet_kpa / inlet_usual) or s.inlet_kpa > FAR_UP * inlet_usual)
        and -SAG_SHARE < s.departure < 0.1
        and s.quiet == 0  # only water that flows shows that the inlet is what it was
    ):
        return 8.0
    if crossed and not s.departure < -SAG_SHARE:  # with a short supply the outlet goes down as well
        return 6.0
    jumped = abs(s.fast) > IMPOSSIBLE_STEP and s.is_fixed == 0 and s.wide == 0 and s.near_zero == 0
    usual = abs(s.flow_lps - s.flow_usual_lps) < 0.35 * s.flow_usual_lps
    if jumped and usual and s.starved == 0 and is_step(s, s.fast):
        _, age_s, change, _ = transition(s, s.fast)
        if change < 0.15 and not is_restless(s, lim) and age_s >= wait(s.tick_s, 1200.0, 3.0):
            return 9.0
    return 0.0


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for a sensor fault: 1 means raise."""
    kind = _kind(s, lim)
    if kind > 0:
        own.kind = kind
    hold(own, kind > 0, s.departure_kpa if kind > 0 and s.known > 0 else own.size, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 600.0, 2.0)
