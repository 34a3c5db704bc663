"""Held shut by a neighbour: no flow, outlet above set, following another feed of the district."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold, wait


@njit(cache=True)  # type: ignore[misc]
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for held shut: 1 means raise."""
    claim = False
    if s.known > 0 and s.near_zero > 0:
        floor = max(s.expected_kpa, s.lock_kpa)
        # at hours when it is shut as a rule, a little above lock-up is nothing to tell
        margin = 0.01 if s.zero_share < 0.2 else 0.03
        above = s.outlet_kpa > floor + margin * lim.set_kpa
        if not np.isnan(s.neighbour_kpa):
            claim = above and abs(s.outlet_kpa - s.neighbour_kpa) < 0.03 * lim.set_kpa
        else:
            claim = above and s.zero_share < 0.1 and 6.0 <= s.hour_local < 22.0 and s.zero_s > 3600.0
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    return own.held_s / wait(s.tick_s, 1200.0, 3.0)
