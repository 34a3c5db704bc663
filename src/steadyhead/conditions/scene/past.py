"""What the last hours and days were like: running means of a few dimensionless numbers.

A name needs memory: a creep shows at night and is named in the morning, a set that moved looks like a drift
unless the days before are known. Every five minutes is often enough for means over hours.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.numbers import N_PAST

EVERY_S = 300.0
HORIZONS_S = (2 * 3600.0, 12 * 3600.0, 48 * 3600.0)
PAST_NAMES = (
    "departure",
    "departure size",
    "departure while water is drawn",
    "way while shut",
    "movement",
    "inlet",
    "flow for the hour",
    "opening for this flow",
    "opening of what was shown",
    "shut at this hour",
    "outlet over neighbour",
    "supply short",
    "departure with inlet",
    "departure with flow",
)
if len(PAST_NAMES) != N_PAST:
    raise AssertionError("a name for each number that is remembered")


@njit(cache=True, inline="always")
def _within(value, least, most):  # type: ignore[no-untyped-def]
    return min(max(value, least), most)


@njit(cache=True)
def _bases(s, lim, x):  # type: ignore[no-untyped-def]
    """What this tick says, share of set or logarithm of a ratio; NaN where it says nothing."""
    x[:] = np.nan
    x[11] = s.starved
    flow_ratio = np.nan
    if s.flow_lps == s.flow_lps:
        small = 0.25 * lim.daily_mean_lps + 0.01
        flow_ratio = _within(np.log((max(s.flow_lps, 0.0) + small) / (s.flow_usual_lps + small)), -3.0, 3.0)
        x[6] = flow_ratio
        x[9] = s.near_zero - s.zero_share
    inlet = np.nan
    if s.inlet_kpa == s.inlet_kpa:
        inlet = _within((s.inlet_kpa - lim.inlet_usual_kpa) / lim.set_kpa, -1.5, 1.5)
        x[5] = inlet
    if s.known == 0:
        return
    departure = _within(s.departure, -0.6, 0.6)
    x[0] = departure
    x[1] = abs(departure)
    if s.quiet == 0 and s.starved == 0:
        x[2] = departure
        x[13] = 100.0 * departure * flow_ratio
    elif s.quiet > 0:
        x[3] = _within(s.way, -0.3, 1.4)
    x[4] = np.log((s.move_kpa + 0.1 * lim.move_kpa + 0.01) / (lim.move_kpa + 0.01))
    if s.kv > 0 and s.kv_need > 0:
        x[7] = _within(np.log(s.kv / s.kv_need), -2.0, 2.0)
    if s.kv == s.kv and lim.kv_reached > 0:
        x[8] = _within(s.kv / lim.kv_reached, 0.0, 2.0)
    if s.neighbour_kpa == s.neighbour_kpa:
        x[10] = _within((s.outlet_kpa - s.neighbour_kpa) / lim.set_kpa, -0.6, 0.6)
    x[12] = 100.0 * departure * inlet


@njit(cache=True)
def see_past(s, lim):  # type: ignore[no-untyped-def]
    """Bring the means up to date; young ones are plain means of what there was."""
    since_s = s.time_s - s.past_at_s
    if since_s < EVERY_S:
        return
    since_s = max(s.tick_s, EVERY_S)
    s.past_at_s = s.time_s
    x = s.past_now
    _bases(s, lim, x)
    for i in range(N_PAST):
        if np.isnan(x[i]):
            continue
        s.past_n[i] += 1.0
        for h in range(3):
            g = max(1.0 - np.exp(-since_s / HORIZONS_S[h]), 1.0 / s.past_n[i])
            s.past[3 * i + h] += g * (x[i] - s.past[3 * i + h])
    if s.known > 0:  # the furthest that the outlet stood above and below, forgotten over a day
        fade = np.exp(-since_s / 86400.0)
        s.past_high = max(s.past_high * fade, s.fast if s.fast == s.fast else 0.0)
        s.past_low = min(s.past_low * fade, s.fast if s.fast == s.fast else 0.0)
        s.past_swing = max(s.past_swing * fade, s.swing_kpa / lim.set_kpa if s.cycles >= 3.0 else 0.0)
