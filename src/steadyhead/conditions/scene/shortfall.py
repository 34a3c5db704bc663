"""Flow that is missing: by the same amount at every hour, or in proportion to what is usual?

People who draw less draw less of everything, so what is missing goes with the usual flow. Water that enters
the district past this station (a bypass, a boundary valve) is missing by day and by night alike; so is a leak
that was mended.
"""

from __future__ import annotations

from numba import njit

ALIKE = 0.09  # of the mean flow, missing at every hour
ON_THE_WHOLE = 0.11  # of the mean flow
IN_PROPORTION = 0.3  # of the usual flow's changes; demand that fell, or a valve that does not answer
SEEN_S = 86400.0


@njit(cache=True)
def see_shortfall(s, lim):  # type: ignore[no-untyped-def]
    """Carry on, over about a day, the moments of the usual flow and of what is missing from it."""
    if s.near_zero > 0 or s.starved > 0 or not s.flow_usual_lps > 0.0 or not s.flow_lps >= 0.0:
        return
    s.fall_s += s.tick_s
    g = max(lim.gains.growth, s.tick_s / s.fall_s)
    x, y = s.flow_usual_lps - s.fall_x, s.flow_usual_lps - s.flow_lps - s.fall_y
    s.fall_x += g * x
    s.fall_y += g * y
    s.fall_xx = (1.0 - g) * (s.fall_xx + g * x * x)
    s.fall_xy = (1.0 - g) * (s.fall_xy + g * x * y)
    s.fall_held_s = s.fall_held_s + s.tick_s if is_missing(s, lim) else 0.0


@njit(cache=True)
def missing_lps(s):  # type: ignore[no-untyped-def]
    """What is missing at every hour alike [L/s]: where the regression on the usual flow meets none of it."""
    return s.fall_y - s.fall_xy / s.fall_xx * s.fall_x if s.fall_xx > 0.0 else 0.0


@njit(cache=True)
def is_missing(s, lim):  # type: ignore[no-untyped-def]
    """A part of the flow is missing at every hour alike."""
    if s.fall_s < SEEN_S or not s.fall_xx > 0.0:
        return False
    share = s.fall_xy / s.fall_xx
    alike, whole = missing_lps(s) / lim.daily_mean_lps, s.fall_y / lim.daily_mean_lps
    return alike > ALIKE and whole > ON_THE_WHOLE and abs(share) < IN_PROPORTION
