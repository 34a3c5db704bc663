"""Is the valve moving? A fixed opening and a regulating one leave different marks."""

from __future__ import annotations

import numpy as np
from numba import njit

AWAY_SHARE = 0.025  # of set: more than droop and noise leave unexplained, less than the mild limit of 5 %
FIXED = 0.35  # common share of movement above which the opening counts as fixed or too slow
FIXED_NOW = 0.6  # the same from tick to tick, where the lag of a working valve shows as well
FINEST_SHARE = (
    0.0005  # of set; averages look smoother than any transmitter tells (common practice, no source)
)
HELD = 0.2  # below which the outlet is held whatever the flow does


@njit(cache=True)
def see_opening(s, lim):  # type: ignore[no-untyped-def]
    """Is the valve moving? A fixed opening keeps Kv and lets the outlet go; a working one does the opposite.

    In x = ln flow and y = ln(differential)/2 a fixed opening has x - y constant. The share of their movement
    that is common, 1 - var(x - y) / (var x + var y), is near 1 then, and near 0 where the outlet is held
    whatever the flow does, or moves without it.
    """
    s.is_fixed = 0.0
    s.is_regulating = 0.0
    dp = s.inlet_kpa - s.outlet_kpa
    if s.quiet > 0 or not (dp > 2.0) or not (s.flow_lps > 0):
        return
    x = np.log(s.flow_lps)
    y = 0.5 * np.log(dp)
    o = s.departure_kpa
    # what was before the departure says nothing of the valve as it is now
    away = abs(s.departure) > AWAY_SHARE
    if np.isnan(s.w_x) or (away and s.away == 0):
        s.w_x, s.w_y, s.w_o = x, y, o
        s.v_x = s.v_y = s.v_d = s.v_o = 0.0
        s.u_x = s.u_y = s.u_d = s.u_o = 0.0
        s.l_x, s.l_y, s.l_o = x, y, o
        s.w_n = 1
        s.away = 1.0 if away else 0.0
        return
    if not away and abs(s.fast) < 0.5 * AWAY_SHARE:
        s.away = 0.0
    if away and s.w_n == 1:
        # the first tick may lie on the way: where an average holds both levels, or in the middle of the move
        s.w_x, s.w_y, s.w_o = x, y, o
        s.l_x, s.l_y, s.l_o = x, y, o
        s.w_n = 2
        return
    g = lim.gains.window
    ex, ey, eo = x - s.w_x, y - s.w_y, o - s.w_o
    s.w_n += 1
    g = max(g, 1.0 / s.w_n)
    s.w_x += g * ex
    s.w_y += g * ey
    s.w_o += g * eo
    keep = 1.0 - g
    s.v_x = keep * (s.v_x + g * ex * ex)
    s.v_y = keep * (s.v_y + g * ey * ey)
    s.v_d = keep * (s.v_d + g * (ex - ey) * (ex - ey))
    s.v_o = keep * (s.v_o + g * eo * eo)
    dx, dy, do = x - s.l_x, y - s.l_y, o - s.l_o
    s.l_x, s.l_y, s.l_o = x, y, o
    s.u_x = keep * s.u_x + g * dx * dx
    s.u_y = keep * s.u_y + g * dy * dy
    s.u_d = keep * s.u_d + g * (dx - dy) * (dx - dy)
    s.u_o = keep * s.u_o + g * do * do
    if s.w_n < 3:
        return
    s.fixed_now = 1.0 - s.u_d / (s.u_x + s.u_y + 1e-12)
    s.fixed = 1.0 - s.v_d / (s.v_x + s.v_y + 1e-12)
    noise = max(lim.tick_kpa, FINEST_SHARE * lim.set_kpa) ** 2
    by_level = s.fixed > FIXED and s.v_o > 6.0 * noise
    by_step = s.w_n >= 6 and s.fixed_now > FIXED_NOW and s.u_o > 6.0 * noise
    if by_level or by_step:
        s.is_fixed = 1.0
    if s.fixed < HELD and s.v_x * 4.0 * dp * dp > 9.0 * noise:
        s.is_regulating = 1.0
