"""One tick after the other: brings the whole record up to date."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.departures import see_departure
from steadyhead.conditions.scene.hours import see_hour
from steadyhead.conditions.scene.lag import see_lag
from steadyhead.conditions.scene.leaning import see_leaning
from steadyhead.conditions.scene.movement import see_movement
from steadyhead.conditions.scene.opening import see_opening
from steadyhead.conditions.scene.past import see_past
from steadyhead.conditions.scene.shortfall import see_shortfall
from steadyhead.conditions.scene.shut import fills_by_itself, see_short_supply, see_shut


@njit(cache=True)
def update(s, t, expected, set_now, usual, high, zero, hour_local, lim, familiar):  # type: ignore[no-untyped-def]
    """Bring the scene record ``s`` to the end of tick ``t``."""
    s.outlet_kpa, s.inlet_kpa, s.flow_lps = t.outlet_kpa, t.inlet_kpa, t.flow_lps
    s.neighbour_kpa = t.neighbour_kpa
    moved = abs(set_now - s.set_now_kpa) > 0.005 * lim.set_kpa
    s.set_still_s = 0.0 if moved else s.set_still_s + s.tick_s
    s.expected_kpa, s.set_now_kpa = expected, set_now
    s.flow_usual_lps, s.flow_high_lps, s.zero_share, s.hour_local = usual, high, zero, hour_local
    s.still_outlet_s, s.still_inlet_s, s.still_flow_s = t.still_outlet_s, t.still_inlet_s, t.still_flow_s
    s.spike_rate += lim.gains.spikes * (t.spikes - s.spike_rate)
    s.implausible_rate += lim.gains.implausible * ((1.0 if t.implausible > 0 else 0.0) - s.implausible_rate)
    missing = np.isnan(t.outlet_kpa)
    s.known = 0.0 if missing or np.isnan(expected) else 1.0
    s.missing_s = s.missing_s + s.tick_s if missing and t.implausible == 0 else 0.0
    s.near_zero = 1.0 if s.flow_lps <= lim.near_zero_lps else 0.0
    if s.flow_usual_lps > 0.2 * lim.daily_mean_lps and s.flow_lps == s.flow_lps:
        ratio = min(max(s.flow_lps / s.flow_usual_lps, 0.5), 2.0)
        s.growth += lim.gains.growth * (ratio - s.growth)
    s.zero_s = s.zero_s + s.tick_s if s.near_zero > 0 else (s.zero_s if np.isnan(s.flow_lps) else 0.0)
    s.departure_kpa = t.outlet_kpa - expected
    s.departure = s.departure_kpa / lim.set_kpa
    s.lock_kpa = s.set_now_kpa + lim.lock_rise_kpa if lim.lock_known else s.expected_kpa
    s.quiet = 1.0 if s.near_zero > 0 or fills_by_itself(s, lim) else 0.0
    dp = s.inlet_kpa - s.outlet_kpa
    need = s.inlet_kpa - expected
    s.kv = 36.0 * s.flow_lps / np.sqrt(dp) if dp > 1.0 else np.nan
    s.kv_need = 36.0 * s.flow_lps / np.sqrt(need) if need > 1.0 else np.nan
    loss = (36.0 * max(s.flow_lps, 0.0) / lim.kv_full) ** 2 if not np.isnan(s.flow_lps) else 0.0
    s.starved = 1.0 if need < max(1.25 * loss + 0.02 * lim.set_kpa, lim.min_differential_kpa) else 0.0
    s.wide = 1.0 if dp < 1.6 * loss + 0.01 * lim.set_kpa else 0.0
    see_short_supply(s, lim)
    if s.known > 0:
        see_departure(s, lim)
        if s.quiet == 0 and s.starved == 0:
            see_leaning(s)
        see_shut(s, lim)
        see_opening(s, lim)
        see_lag(s, lim)
        see_shortfall(s, lim)
    see_movement(s, t, lim)
    see_hour(s, lim, familiar)
    see_past(s, lim)
