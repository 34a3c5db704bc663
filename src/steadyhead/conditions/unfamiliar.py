"""Unfamiliar: nothing named fits, but the station has never looked like this for hours on end."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold

LEAST_HOURS = 6.0


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for unfamiliar: 1 means raise. Size is the squared distance over its limit."""
    hold(own, s.novel_hours > 0, s.novel, s.time_s, s.tick_s)
    return s.novel_hours / LEAST_HOURS
