"""A station nobody draws water through: how far its outlet went from lock-up towards the inlet."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.numbers import WAY_S

LEAST_ROOM = 0.08  # of set: with less between lock-up and inlet, noise would cover much of the way
AFTER_SHORT_S = 8 * 3600.0  # a valve that stood wide open lets the returning supply through: a night long
SETTLING_S = 600.0  # the surge of closing is over (common practice, no source)
CLOSING_S = 1800.0  # a closing needle screwed far in takes so long (from the plant)
CLOSING_FLOW = 0.05  # of the mean: while that passes, a slow valve is still closing
COARSE_S = 600.0  # from sample to sample
JUMP = 0.15  # of the way within ten minutes; leaks past a seat lift a district half as fast at most
USUALLY_SHUT = 0.1  # share of ticks without flow at this hour of the week, and at or below which it is busy


@njit(cache=True)
def fills_by_itself(s, lim):  # type: ignore[no-untyped-def]
    """Water that lifts the district past lock-up at hours when the station is shut as a rule, or once it was.

    A valve that leaks fills the district; the meter shows that, though nobody draws water.
    """
    if not lim.lock_known or not s.outlet_kpa > s.lock_kpa + 2.0 * lim.tick_kpa:
        return False
    small = s.flow_lps < 0.5 * lim.daily_mean_lps
    return small and (s.zero_share > USUALLY_SHUT or s.quiet > 0)


@njit(cache=True)
def _follow_set(s):  # type: ignore[no-untyped-def]
    """What the way gains or loses as a scheduled set moves is no rise; the outlet may follow it or not."""
    by = s.way - s.way_last
    s.way_shut += by
    s.way_still += by
    s.way_smooth += by
    s.way_lag += by


@njit(cache=True)
def _see_rate(s):  # type: ignore[no-untyped-def]
    """How fast the way grows, once a running mean tells."""
    stood_s = s.shut_s - SETTLING_S
    if stood_s <= 0.5 * WAY_S:
        return
    before = s.way_rate
    # behind a straight line a running mean lags by this many seconds of it
    s.way_rate = (s.way_smooth - s.way_lag) / (WAY_S * (1.0 - np.exp(-stood_s / WAY_S)))
    if s.way_lag > 0.0:  # on its way to lock-up it rises faster, leak or none
        s.way_rate_max = max(s.way_rate, s.way_rate_max)
    # a coarse reading that stands still for one sample has not stopped
    s.way_rate_now = max(s.way_rate, 0.5 * (before + s.way_rate)) if s.tick_s > COARSE_S else s.way_rate


@njit(cache=True)
def see_shut(s, lim):  # type: ignore[no-untyped-def]
    """The share of the way from lock-up to inlet, where this closed period began, and how fast it grows."""
    s.way = np.nan
    s.busy_s = s.busy_s + s.tick_s if s.zero_share <= USUALLY_SHUT else 0.0
    if s.quiet == 0:
        s.way_shut = np.nan
        s.shut_s = 0.0
        s.way_still = np.nan
        s.elsewhere = s.way_leap = 0.0
    if s.quiet > 0 and lim.lock_known and s.inlet_kpa > s.lock_kpa + LEAST_ROOM * lim.set_kpa:
        s.way = (s.outlet_kpa - s.lock_kpa) / (s.inlet_kpa - s.lock_kpa)
        s.shut_s += s.tick_s
        if s.lock_kpa != s.lock_before_kpa and s.shut_s > s.tick_s:
            _follow_set(s)
        s.lock_before_kpa, s.way_last = s.lock_kpa, s.way
        closing = s.shut_s <= CLOSING_S and s.flow_lps > CLOSING_FLOW * lim.daily_mean_lps
        if s.near_zero == 0 or s.zero_s <= s.tick_s or np.isnan(s.way_still):
            s.way_still = s.way
            s.way_before = np.nan
        elif s.way_before == s.way_before:
            # so much water would have shown on the meter, had it come through the valve
            if s.way - s.way_before > JUMP:
                s.elsewhere = 1.0
            s.way_before = np.nan
        elif s.way - s.way_still > JUMP:
            s.way_before = s.way_still  # a second sample has to say the same
        s.way_leap = max(s.way_leap, s.way - s.way_still)
        s.way_still += lim.gains.way_smooth * (s.way - s.way_still)
        if np.isnan(s.way_shut) or s.shut_s <= SETTLING_S or closing:
            s.way_shut = s.way_lag = s.way_smooth = s.way
            s.outlet_shut_kpa = s.outlet_kpa
            s.way_rate = s.way_rate_now = s.way_rate_max = 0.0
        s.way_smooth += lim.gains.way_smooth * (s.way - s.way_smooth)
        s.way_lag += lim.gains.way * (s.way_smooth - s.way_lag)
        _see_rate(s)
        night = s.hour_local < 6 or s.hour_local >= 22
        if night:
            s.night_way = max(s.way, s.night_way * (1.0 - s.tick_s / 86400.0))


@njit(cache=True)
def see_short_supply(s, lim):  # type: ignore[no-untyped-def]
    """How long the return of a short supply still explains a high outlet."""
    if s.starved > 0:
        s.short_s = AFTER_SHORT_S
    elif s.quiet == 0 and abs(s.departure) < lim.enter_share:
        s.short_s = 0.0
    else:
        s.short_s = max(0.0, s.short_s - s.tick_s)
