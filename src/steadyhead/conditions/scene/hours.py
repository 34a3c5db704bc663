"""Features of each hour, and how unfamiliar they are."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.numbers import N_FEATURES


@njit(cache=True)
def see_hour(s, lim, familiar):  # type: ignore[no-untyped-def]
    """Close an hour's features and measure how unfamiliar they are."""
    hour = s.time_s // 3600.0
    s.h_closed = 0.0
    if hour != s.h_hour:
        if s.h_hour >= 0 and s.h_n * s.tick_s >= 1800.0:
            s.h_closed = 1.0
            _hour_features(s, lim)
            s.novel = _distance(s.h_mean, familiar)
            s.novel_hours = s.novel_hours + 1 if s.novel > 1.0 else max(0.0, s.novel_hours - 1)
        s.h_n = 0
        s.h_sum[:] = 0.0
        s.h_hour = hour
    # hours in which the station sometimes shuts and sometimes does not are no two days alike
    if s.known > 0 and not (0.02 < s.zero_share < 0.98):
        s.h_n += 1
        s.h_sum[0] += min(max(s.departure, -0.5), 0.5)
        s.h_sum[1] += s.move_kpa
        if s.flow_lps == s.flow_lps:
            s.h_sum[2] += max(s.flow_lps, 0.0)
            s.h_sum[3] += s.flow_usual_lps * max(s.growth, 1.0)
        if s.inlet_kpa == s.inlet_kpa:
            s.h_sum[4] += s.inlet_kpa - lim.inlet_usual_kpa
        if s.kv == s.kv and s.kv_need == s.kv_need:
            s.h_sum[5] += s.kv
            s.h_sum[6] += s.kv_need


@njit(cache=True)
def _hour_features(s, lim):  # type: ignore[no-untyped-def]
    """Departure, movement, flow against usual, inlet, Kv against need; ratios as logarithms."""
    small_flow = 0.25 * lim.daily_mean_lps + 0.01
    small_kv = 0.05 * lim.kv_typical + 0.01
    h, n = s.h_sum, s.h_n
    s.h_mean[0] = h[0] / n
    s.h_mean[1] = np.log((h[1] / n + 0.1 * lim.move_kpa + 0.01) / (lim.move_kpa + 0.01))
    s.h_mean[2] = np.log((h[2] / n + small_flow) / (h[3] / n + small_flow))
    s.h_mean[3] = h[4] / n / max(lim.set_kpa, 1.0)
    s.h_mean[4] = np.log((h[5] / n + small_kv) / (h[6] / n + small_kv))


@njit(cache=True)
def _spreads(features, familiar, i):  # type: ignore[no-untyped-def]
    """Feature ``i`` in robust spreads. Departure and movement weigh little: they have their conditions."""
    most = 2.0 if i < 2 else 12.0  # as in ``profile.novelty``
    return min(max((features[i] - familiar.center[i]) / familiar.scale[i], -most), most)


@njit(cache=True)
def _distance(features, familiar):  # type: ignore[no-untyped-def]
    """Squared Mahalanobis distance over its limit; 0 while none was learned."""
    if familiar.limit <= 0:
        return 0.0
    total = 0.0
    for i in range(N_FEATURES):
        zi = _spreads(features, familiar, i)
        for j in range(N_FEATURES):
            zj = _spreads(features, familiar, j)
            total += zi * familiar.precision[i, j] * zj
    return total / familiar.limit
