"""How far the outlet strays for the changes of demand it has to answer."""

from __future__ import annotations

import numpy as np
from numba import njit

STRAY = 0.025  # of set; the mild limit is 3 %, and the means of a tick cut the peaks
BACK = 0.01
PASSES_S = 2 * 3600.0  # what lasts longer does not pass


@njit(cache=True)
def _count_stray(s, r):  # type: ignore[no-untyped-def]
    """Note when the outlet has strayed and come back; r: departure about its slow mean, share of set."""
    if s.stray_s == 0.0 and abs(r) > STRAY:
        s.stray_s = s.time_s
    elif s.stray_s > 0.0 and abs(r) < BACK:
        if s.time_s - s.stray_s < PASSES_S:
            s.strays_s[1] = s.strays_s[0]
            s.strays_s[0] = s.time_s
        s.stray_s = 0.0


@njit(cache=True)
def see_lag(s, lim):  # type: ignore[no-untyped-def]
    """How far the outlet strays for the changes of demand it has to answer.

    Root mean square of the departure about its own slow mean, over that of flow about its mean of ten
    minutes: a valve that answers slowly strays further for the same demand.
    """
    if np.isnan(s.flow_lps) or s.quiet > 0:
        return
    if np.isnan(s.flow_slow):
        s.flow_slow = s.flow_lps
        return
    z = s.flow_lps - s.flow_slow
    s.flow_slow += lim.gains.flow_slow * z
    # a valve that does not move at all is not slow
    if s.starved > 0 or (s.is_fixed > 0 and s.fixed > 0.6):
        return
    if s.inlet_move_ratio > 1.5 and s.move_kpa > 3.0 * lim.move_kpa:
        return  # waves from upstream, which demand has no part in
    r = s.departure_kpa - (0.0 if np.isnan(s.drift) else s.drift * lim.set_kpa)
    # one wild hour must not fill the memory, and one wild sample not at all
    r = min(max(r, -0.15 * lim.set_kpa), 0.15 * lim.set_kpa)
    lone = r * s.last_r <= 0.0
    s.last_r, r = r, 0.0 if lone else np.sign(r) * min(abs(r), abs(s.last_r))
    _count_stray(s, r / lim.set_kpa)
    g = lim.gains.lag
    s.lag_age_s += s.tick_s
    s.s_zz += g * (z * z - s.s_zz)
    s.s_rr += g * (r * r - s.s_rr)
    s.s_rz += g * (r * z - s.s_rz)
    below = min(r, 0.0)
    s.s_nn += g * (below * below - s.s_nn)
    if s.kv > 0:
        k = np.log(s.kv)
        away = k - s.all_kv
        s.all_kv += g * away
        s.all_kv_var = (1.0 - g) * (s.all_kv_var + g * away * away)
        if s.s_nn > 0:
            w = min(g * below * below / s.s_nn, 1.0)
            away = k - s.sag_kv
            s.sag_kv += w * away
            s.sag_kv_var = (1.0 - w) * (s.sag_kv_var + w * away * away)
    if s.s_zz > 0 and s.s_rr > 0:
        s.slow_share = np.sqrt(s.s_rr / s.s_zz) * lim.change_lps / lim.set_kpa
