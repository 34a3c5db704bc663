"""The outlet against what is expected: short and long means, and how a departure came about."""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.scene.record import RING_TICKS

OFF = 0.5  # of the least drift that is named


@njit(cache=True)
def see_departure(s, lim):  # type: ignore[no-untyped-def]
    """Short mean of every departure, long mean and memory of those while regulating."""
    d = s.departure
    if np.isnan(s.fast):
        s.fast = d
    s.fast += lim.gains.fast * (d - s.fast)
    regulating = s.quiet == 0 and s.starved == 0
    if regulating:
        s.ring[int(s.ring_n) % RING_TICKS] = s.fast
        s.ring_s[int(s.ring_n) % RING_TICKS] = s.time_s
        s.ring_n += 1
        clipped = d
        if np.isnan(s.drift):
            s.drift = 0.0
        # a single wild value must not look like a drift
        clipped = min(max(d, s.drift - 0.06), s.drift + 0.06)
        s.drift += lim.gains.drift * (clipped - s.drift)
        s.drift_age_s += s.tick_s
        off = s.drift if abs(s.drift) > OFF * lim.drift_share else 0.0
        if off == 0.0:
            s.drift_off_s = 0.0
        elif s.drift_off_s * off <= 0.0:
            s.drift_off_s = np.copysign(s.time_s, off)
        if lim.has_flow and s.kv_need < 0.7 * lim.kv_typical:
            if np.isnan(s.low_class):
                s.low_class = d
            s.low_class += lim.gains.low_class * (d - s.low_class)
            s.low_class_at_s = s.time_s


@njit(cache=True)
def transition(s, level):  # type: ignore[no-untyped-def]
    """How the departure came about.

    Returns (seconds it took to get from 30 % to 75 % of ``level``, seconds since it got there, relative
    change of level since, mean of the half hour before over the level); the first is infinite where the ring
    holds no start.
    """
    n = int(min(s.ring_n, RING_TICKS))
    if n < 6:
        return np.inf, 0.0, np.inf, 1.0
    newest = int(s.ring_n) - 1
    sign = 1.0 if level > 0 else -1.0
    size = abs(level)
    quiet = -1
    for back in range(n):
        if sign * s.ring[(newest - back) % RING_TICKS] < 0.3 * size:
            quiet = back
            break
    if quiet <= 0:
        return np.inf, 0.0, np.inf, 1.0
    there = 0
    for back in range(quiet - 1, -1, -1):
        if sign * s.ring[(newest - back) % RING_TICKS] > 0.75 * size:
            there = back
            break
    there_s = s.ring_s[(newest - there) % RING_TICKS]
    took = there_s - s.ring_s[(newest - quiet) % RING_TICKS]
    first, last = 0.0, 0.0
    third = max(1, (there + 1) // 3)
    for back in range(third):
        last += s.ring[(newest - back) % RING_TICKS]
        first += s.ring[(newest - (there - back)) % RING_TICKS]
    change = abs(last - first) / third / size
    before, n_before = 0.0, 0
    quiet_s = s.ring_s[(newest - quiet) % RING_TICKS]
    for back in range(quiet, n):
        if n_before >= 3 and s.ring_s[(newest - back) % RING_TICKS] < quiet_s - 1800.0:
            break
        before += sign * s.ring[(newest - back) % RING_TICKS]
        n_before += 1
    return took, s.ring_s[newest % RING_TICKS] - there_s, change, before / n_before / size
