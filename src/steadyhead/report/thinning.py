"""Fewer points for a plot that still shows every peak."""

from __future__ import annotations

import numpy as np

from steadyhead.types import FloatArray, IntArray

MOST_POINTS = 4000  # several points for every pixel of an evidence plot's width


def thin(values: FloatArray, most: int = MOST_POINTS) -> IntArray:
    """Rows to draw: the lowest and the highest of each stretch, in order; all rows if they are few.

    values : shape (n,); NaN where missing. A stretch that is all NaN keeps one row, so a gap stays a gap.
    Returns at most ``most`` row numbers, rising; the first and the last row are among them.
    """
    n = values.shape[0]
    if n <= most:
        return np.arange(n, dtype=np.int64)
    stretches = (most - 2) // 2  # two rows of each, and room for both ends
    length = -(-n // stretches)
    padded = np.full(stretches * length, np.nan)
    padded[:n] = values
    table = padded.reshape(stretches, length)
    low = np.argmin(np.where(np.isnan(table), np.inf, table), axis=1)
    high = np.argmax(np.where(np.isnan(table), -np.inf, table), axis=1)
    starts = np.arange(stretches, dtype=np.int64) * length
    rows = np.concatenate([starts + low, starts + high, np.array([0, n - 1], dtype=np.int64)])
    return np.unique(rows[rows < n])
