"""Held shut by a neighbour: no flow, outlet above set, following another feed of the district."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold, wait

USUALLY_OPEN = 0.3
ALWAYS_OPEN = 0.02
SET_STILL_S = 3600.0
TO_THE_INLET = 0.8  # of the way from lock-up
LEAST_LIFT = 0.006  # of set: an outlet held where it always is has a meter that tells nothing


@njit(cache=True)
def follows_neighbour(s, lim):  # type: ignore[no-untyped-def]
    """The outlet stands where the neighbour's does."""
    return abs(s.outlet_kpa - s.neighbour_kpa) < 0.03 * lim.set_kpa


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for held shut: 1 means raise."""
    claim = False
    # a set that has just gone up by schedule leaves a quiet district above it for a while
    if s.known > 0 and s.near_zero > 0 and s.set_still_s > SET_STILL_S:
        above = s.outlet_kpa - max(s.expected_kpa, s.lock_kpa)
        least = 0.01 * lim.set_kpa
        if np.isnan(s.neighbour_kpa):
            by_day = 6.0 <= s.hour_local < 22.0
            claim = above > least and s.zero_share < 0.1 and by_day and s.zero_s > 3600.0
        elif s.zero_share < ALWAYS_OPEN:
            # no flow at an hour that always had some, and a neighbour that stands high enough to hold it
            pushes = s.neighbour_kpa > s.outlet_kpa - 0.03 * lim.set_kpa
            claim = pushes and above > -lim.tick_kpa and s.departure > LEAST_LIFT
        else:
            # at hours when it is shut as a rule, the two stand alike whoever lifts them, a leak slowly
            lifted = s.zero_share < USUALLY_OPEN or s.elsewhere > 0
            claim = above > least and lifted and follows_neighbour(s, lim)
    # no neighbour is set to hold the district at this station's inlet
    claim = claim and not s.way > TO_THE_INLET
    hold(own, claim, s.departure_kpa, s.time_s, s.tick_s)
    # it was shut before, as it is every night, and only opens later than usual
    if not claim:
        return 0.0
    late = s.shut_s > own.held_s + 1800.0
    return own.held_s / wait(s.tick_s, 3600.0 if late else 1200.0, 3.0)
