"""Telemetry loss: no outlet pressure for longer than a short drop-out."""

from __future__ import annotations

from numba import njit

from steadyhead.conditions.base import hold, wait

LOSS_S = 2700.0


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for telemetry loss: 1 means raise. Size is the length of the silence [s]."""
    lost = wait(s.tick_s, LOSS_S, 4.0)
    hold(own, s.missing_s > 0, s.missing_s, s.time_s, s.tick_s)
    if s.missing_s == 0:
        own.held_s = 0.0
    return own.held_s / lost
