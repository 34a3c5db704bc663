"""Why a value was refused or is doubtful: flag bits, and boolean questions to ask of a series.

Every question is answered from the present and the past of the series only, and nothing is deleted:
callers combine the answers with ``&`` and ``|``.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray

BAD_QUALITY = np.uint16(1 << 0)
"""The log's own quality code was bad, uncertain or unknown; the value was refused."""
SENTINEL = np.uint16(1 << 1)
"""The value was a declared mark for "no value", such as -999; it was refused."""
NOT_A_NUMBER = np.uint16(1 << 2)
"""The log held text where a number should be; it was refused."""
OUT_OF_RANGE = np.uint16(1 << 3)
"""The value was outside the transmitter's range, or below vacuum; it was refused."""
CONFLICT = np.uint16(1 << 4)
"""Two readings of one time differed; the later row was kept."""
DOUBTFUL = np.uint16(1 << 5)
"""The quality code was uncertain and the registry says to keep such values."""
HELD = np.uint16(1 << 6)
"""At least one value of the row was reported earlier and still holds (on-change reporting)."""
STALE = np.uint16(1 << 7)
"""A held value outlived the heartbeat and was dropped: the row has a gap."""
STUCK = np.uint16(1 << 8)
"""Free for a caller that asks ``is_stuck``; not set when a log is read."""
SPIKE = np.uint16(1 << 9)
"""Free for a caller that asks ``is_spike``; not set when a log is read."""
ON_INLET = np.uint16(1 << 12)
"""One of the refusals or doubts above (not HELD) concerns the inlet."""
ON_OUTLET = np.uint16(1 << 13)
"""One of the refusals or doubts above (not HELD) concerns the outlet."""
ON_FLOW = np.uint16(1 << 14)
"""One of the refusals or doubts above (not HELD) concerns the flow."""
ON_COMMAND = np.uint16(1 << 15)
"""One of the refusals or doubts above (not HELD) concerns the commanded set pressure."""

REFUSED = np.uint16(BAD_QUALITY | SENTINEL | NOT_A_NUMBER | OUT_OF_RANGE)
"""Any reason for which a value is missing although the log had one."""


def has(flags: FlagArray, bits: np.uint16) -> BoolArray:
    """Whether any of the bits is set, shape of ``flags``."""
    is_set: BoolArray = (flags & bits) != 0
    return is_set


def run_lengths(values: FloatArray, tolerance: float = 0.0) -> IntArray:
    """How many readings in a row, up to and with this one, stayed within ``tolerance`` of the one before.

    values : shape (n,)
    Returns shape (n,): 1 at a change, 2 at its first repeat ...; 0 at NaN, which ends a run.
    """
    n = values.shape[0]
    if n == 0:
        return np.zeros(0, dtype=np.int64)
    is_repeat = np.zeros(n, dtype=np.bool_)
    is_repeat[1:] = np.abs(np.diff(values)) <= tolerance
    position = np.arange(n, dtype=np.int64)
    run_start = np.maximum.accumulate(np.where(is_repeat, 0, position))
    lengths: IntArray = np.where(np.isnan(values), 0, position - run_start + 1)
    return lengths


def is_stuck(values: FloatArray, min_run: int, tolerance: float = 0.0) -> BoolArray:
    """Whether the value has not moved for ``min_run`` readings, this one included.

    The first readings of a run are not marked: when they came, nothing was wrong with them.
    """
    return run_lengths(values, tolerance) >= min_run


def is_spike(values: FloatArray, limit: float, window: int = 5) -> BoolArray:
    """Whether a reading departs by more than ``limit`` from the median of the readings before it.

    values : shape (n,);  limit : unit of ``values``
    window : number of preceding readings, odd; NaN among them are left out
    Returns shape (n,); False at NaN and where fewer than half of the window is known. A lasting step is
        marked for (window + 1) / 2 readings, until the median follows: only its end tells it from a spike.
    """
    n = values.shape[0]
    marked = np.zeros(n, dtype=np.bool_)
    if n <= window:
        return marked
    chunk = 200_000  # bounds the memory of the sorted windows
    for first in range(window, n, chunk):
        last = min(first + chunk, n)
        before = np.sort(sliding_window_view(values[first - window : last - 1], window), axis=1)  # NaN last
        n_known = window - np.isnan(before).sum(axis=1)
        at = np.maximum(n_known - 1, 0)
        rows = np.arange(last - first)
        median = (before[rows, at // 2] + before[rows, (at + 1) // 2]) / 2
        marked[first:last] = (np.abs(values[first:last] - median) > limit) & (2 * n_known > window)
    return marked


def has_returned_from_spike(values: FloatArray, limit: float) -> BoolArray:
    """Whether the reading before jumped by more than ``limit`` and this one is back where it was.

    values : shape (n,);  limit : unit of ``values``
    Returns shape (n,): True at the reading after a spike of one reading, which is when it is certain;
        "back" is within half of ``limit``.
    """
    marked = np.zeros(values.shape[0], dtype=np.bool_)
    if values.shape[0] >= 3:
        before, spike, now = values[:-2], values[1:-1], values[2:]
        jumped = (np.abs(spike - before) > limit) & (np.abs(spike - now) > limit)
        marked[2:] = jumped & (np.abs(now - before) <= limit / 2)
    return marked


def is_out_of_range(values: FloatArray, low: float | None, high: float | None) -> BoolArray:
    """Whether a value is below ``low`` or above ``high``; a missing bound and NaN never are."""
    marked = np.zeros(values.shape[0], dtype=np.bool_)
    if low is not None:
        marked |= values < low
    if high is not None:
        marked |= values > high
    return marked
