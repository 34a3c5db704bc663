"""Unfamiliar: nothing named fits, but the station has never looked like this for hours on end.

Or it is filled from elsewhere: shut, the outlet went far towards the inlet faster than any leak past the seat
could lift it unseen by the meter (a bypass, a boundary valve).
"""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold
from steadyhead.conditions.held_shut import follows_neighbour

LEAST_HOURS = 6.0
UNLIKE, FILLED = 1.0, 2.0  # kinds
FAR = 0.25  # of the way from lock-up to inlet; a neighbour that was set higher lifts it less


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for unfamiliar: 1 means raise. Size is the squared distance over its limit, or the way."""
    filled = s.elsewhere > 0 and s.way > FAR and not follows_neighbour(s, lim)
    if filled:
        own.kind = FILLED
    elif own.active == 0:
        own.kind = UNLIKE  # an alert that stands goes on telling of what it was raised for
    size = s.novel
    if own.kind == FILLED:
        size = s.way if filled else own.size
    hold(own, filled or s.novel_hours > 0, size, s.time_s, s.tick_s)
    return 1.0 if filled else s.novel_hours / LEAST_HOURS
