"""When an effect can be seen, and how large it became, against a healthy twin with the same demand."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d, uniform_filter1d

from steadyhead.types import BoolArray, FloatArray


def held_from(is_past: BoolArray, lasts: int, within: int) -> int:
    """First row by which the effect had lasted ``lasts`` rows of the ``within`` before it; -1 if never."""
    total = np.cumsum(is_past)
    before = (
        np.concatenate([np.zeros(within, dtype=total.dtype), total[:-within]]) if within < len(total) else 0
    )
    enough = np.flatnonzero(total - before >= max(1, lasts))
    return int(enough[0]) if len(enough) else -1


def steady(value: FloatArray, rows: int) -> FloatArray:
    """Running mean over ``rows``, centred, shape as given."""
    return uniform_filter1d(value, max(1, rows), mode="nearest")


def swing(value: FloatArray, rows: int) -> FloatArray:
    """Peak to peak within ``rows``, centred, shape as given."""
    rows = max(2, rows)
    return maximum_filter1d(value, rows) - minimum_filter1d(value, rows)


def strays(value: FloatArray, limit: float) -> BoolArray:
    """Rows at which an excursion past the limit begins, shape as given."""
    past = np.abs(value) > limit
    return past & ~np.concatenate([[False], past[:-1]])


def spells(mask: BoolArray, join: int, shortest: int) -> list[tuple[int, int]]:
    """Runs of True as (first, one past last), those nearer than ``join`` rows joined, short ones left out."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    joined: list[list[int]] = []
    for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if joined and a - joined[-1][1] < join:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    return [(a, b) for a, b in joined if b - a >= shortest]
