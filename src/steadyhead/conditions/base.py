"""What all conditions share: the record each keeps, its place in the order, on-delay and off-delay."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from steadyhead.types import CONDITIONS

HELD = np.dtype(
    [
        ("held_s", "f8"),  # how long the claim has stood; runs back while it does not
        ("since_s", "f8"),  # when the claim first stood
        ("stands", "f8"),  # the claim stands at this tick
        ("clear_s", "f8"),
        ("active", "f8"),
        ("raised_s", "f8"),
        ("looked_s", "f8"),  # when what stands was last looked at again
        ("asked", "f8"),  # the claim is ripe, something else stands, and that was looked at again for it
        ("size", "f8"),  # latest size of the effect; its meaning is the condition's own
        ("worst", "f8"),  # largest size since the claim first stood
        ("kind", "f8"),  # which variety, where a condition has several
    ]
)

INDEX = {name: number for number, name in enumerate(CONDITIONS)}
DAY_S = 86400.0
RECURS_S = 30 * 3600.0  # a fault that shows only at night or at the peak is one episode, not one a day


def new_held() -> NDArray[Any]:
    """One record per condition, in the order of ``types.CONDITIONS``."""
    return np.zeros(len(CONDITIONS), dtype=HELD)


@njit(cache=True, inline="always")
def wait(tick_s, seconds, samples):  # type: ignore[no-untyped-def]
    """A delay stated in seconds, or in samples where sampling is coarser."""
    return max(seconds, samples * tick_s)


@njit(cache=True)
def hold(own, claim, size, time_s, tick_s):  # type: ignore[no-untyped-def]
    """Carry a claim on: it gains while it stands and loses at the same rate while it does not."""
    own.stands = 1.0 if claim else 0.0
    if claim:
        if own.held_s <= 0:
            own.since_s = time_s - tick_s
            own.worst = 0.0
        own.held_s += tick_s
        own.size = size
        if abs(size) > abs(own.worst):
            own.worst = size
    else:
        own.held_s = max(0.0, own.held_s - tick_s)
