"""Unfamiliar: nothing named fits, but the station has never looked like this for hours on end.

Or the district is fed from elsewhere (a bypass, a boundary valve). While the station is shut that lifts the
outlet far towards the inlet, faster than any leak past the seat could unseen by the meter, or at hours that
always had flow; while it works, the same amount of flow is missing by day and by night.
"""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold
from steadyhead.conditions.held_shut import TO_THE_INLET, follows_neighbour
from steadyhead.conditions.scene import SETTLING_S
from steadyhead.conditions.scene.shortfall import missing_lps

LEAST_HOURS = 6.0
UNLIKE, FILLED, FED = 1.0, 2.0, 3.0  # kinds
FED_S = 6 * 3600.0  # of flow missing alike
FAR = 0.25  # of the way from lock-up to inlet; a neighbour that was set higher lifts it less


@njit(cache=True)
def should_flow(s):  # type: ignore[no-untyped-def]
    """It shut at hours when water was always drawn: the district gets it from elsewhere, not by a leak."""
    settled = min(s.shut_s, s.set_still_s) > SETTLING_S
    return s.near_zero > 0 and settled and s.busy_s > s.shut_s


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for unfamiliar: 1 means raise. Size is the squared distance over its limit, the way, or L/s."""
    by_neighbour = follows_neighbour(s, lim) and not s.way > TO_THE_INLET
    filled = (s.elsewhere > 0 or should_flow(s)) and s.way > FAR and not by_neighbour
    fed = s.fall_held_s / FED_S
    if filled:
        own.kind = FILLED
    elif own.active == 0:
        # an alert that stands goes on telling of what it was raised for
        own.kind = FED if fed >= 1.0 else UNLIKE
    size = s.novel
    if own.kind == FILLED:
        size = s.way if filled else own.size
    elif own.kind == FED:
        size = missing_lps(s)
    hold(own, filled or fed > 0 or s.novel_hours > 0, size, s.time_s, s.tick_s)
    return 1.0 if filled else max(fed, s.novel_hours / LEAST_HOURS)
