"""Does a departure go with demand? A screw that was turned shifts every opening alike.

What throttles the pilot's water does not: the further the valve has to open, the further the outlet falls
behind. So departure is followed over the opening that demand asks for, since the outlet stands off.
"""

from __future__ import annotations

import numpy as np
from numba import njit

BEGINS = 0.018  # of set; the mild limit of a drift is 2 %
ENDS = 0.008
SETTLES_S = 900.0  # what belongs to the way from one level to the other
SETTLES_TICKS = 3.0
LEAST_TICKS = 6.0
SPREAD = 0.15  # of the mean opening, root mean square: less demand was not seen to move
SURE = 3.0  # standard errors


@njit(cache=True)
def see_leaning(s):  # type: ignore[no-untyped-def]
    """Carry on the moments of departure and of the Kv that demand asks for, since it stands off."""
    if abs(s.fast) < ENDS or (s.lean_s == 0.0 and abs(s.fast) < BEGINS):
        s.lean_s = s.lean_at_once = 0.0
        return
    s.lean_s += s.tick_s
    if s.lean_s <= max(SETTLES_S, SETTLES_TICKS * s.tick_s):
        s.lean_n = s.lean_k = s.lean_d = s.lean_kk = s.lean_kd = s.lean_dd = 0.0
        return
    if not s.kv_need > 0.0:
        return
    s.lean_n += 1.0
    k, d = s.kv_need - s.lean_k, s.departure - s.lean_d
    s.lean_k += k / s.lean_n
    s.lean_d += d / s.lean_n
    s.lean_kk += k * (s.kv_need - s.lean_k)
    s.lean_kd += k * (s.departure - s.lean_d)
    s.lean_dd += d * (s.departure - s.lean_d)


@njit(cache=True)
def leaning(s):  # type: ignore[no-untyped-def]
    """How the departure goes with demand.

    Returns (its relative change over that of the opening, the standard error of that, relative spread of the
    opening seen); 0, infinite and 0 while too little was seen.
    """
    if s.lean_s == 0.0 or s.lean_n < LEAST_TICKS or not s.lean_kk > 0.0 or s.lean_d == 0.0:
        return 0.0, np.inf, 0.0
    slope = s.lean_kd / s.lean_kk
    rest = max(s.lean_dd - slope * s.lean_kd, 0.0) / s.lean_n
    share = s.lean_k / s.lean_d
    error = abs(share) * np.sqrt(rest / s.lean_kk)
    return slope * share, error, np.sqrt(s.lean_kk / s.lean_n) / s.lean_k
