"""Rows of one station as columns, put on a grid or cut into buckets."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from steadyhead.archive.archive import BUCKET_S, CHANNELS, Buckets, Series2
from steadyhead.readings.frame import Readings
from steadyhead.types import FlagArray, FloatArray, IntArray

_NICE_S = (1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200, 86400)


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings of one station that hold something.

    times_s : shape (n,), any order; values : shape (n, 5), columns as ``CHANNELS``; flags : shape (n,)
    """

    times_s: IntArray
    values: FloatArray
    flags: FlagArray

    def __len__(self) -> int:
        return int(self.times_s.shape[0])


@dataclass(frozen=True, slots=True)
class Pieces:
    """15-minute pieces of one station, shape (n,) or (n, 5).

    times_s : start of each; low, mean, high : by channel, NaN where nothing was
    counts : readings behind each
    """

    times_s: IntArray
    low: FloatArray
    mean: FloatArray
    high: FloatArray
    counts: IntArray

    def __len__(self) -> int:
        return int(self.times_s.shape[0])


NO_ROWS = Rows(np.zeros(0, dtype=np.int64), np.zeros((0, len(CHANNELS))), np.zeros(0, dtype=np.uint16))
_NOTHING = np.zeros((0, len(CHANNELS)))
NO_PIECES = Pieces(
    np.zeros(0, dtype=np.int64), _NOTHING, _NOTHING, _NOTHING, np.zeros((0, len(CHANNELS)), dtype=np.int64)
)


def from_readings(readings: Readings) -> Rows:
    """The rows that hold a value or a flag."""
    values = np.stack([getattr(readings, name) for name in CHANNELS], axis=1)
    keep = ~np.isnan(values).all(axis=1) | (readings.flags != 0)
    return Rows(readings.times_s[keep], values[keep], readings.flags[keep])


def to_readings(station: str, step_s: int, from_s: int, to_s: int, parts: Iterable[Rows]) -> Readings:
    """Rows with times in [from_s, to_s) on the grid; of one time the later part stands, value by value."""
    start_s, end_s = _ceil(from_s, step_s), _ceil(to_s, step_s)
    n = max(0, (end_s - start_s) // step_s)
    values = np.full((n, len(CHANNELS)), np.nan)
    flags = np.zeros(n, dtype=np.uint16)
    for part in parts:
        at = -((start_s - part.times_s) // step_s)
        inside = (at >= 0) & (at < n)
        at, new = at[inside], part.values[inside]
        values[at] = np.where(np.isnan(new), values[at], new)
        flags[at] = part.flags[inside]
    return Readings(
        station=station,
        start_s=start_s,
        step_s=step_s,
        flags=flags,
        **{name: np.ascontiguousarray(values[:, n]) for n, name in enumerate(CHANNELS)},
    )


def to_pieces(readings: Readings) -> Pieces:
    """The 15-minute pieces of rows on a grid, those that hold something."""
    if not len(readings):
        return NO_PIECES
    values = np.stack([getattr(readings, name) for name in CHANNELS], axis=1)
    buckets, starts = np.unique(readings.times_s // BUCKET_S, return_index=True)
    counts = np.add.reduceat((~np.isnan(values)).astype(np.int64), starts, axis=0)
    sums = np.add.reduceat(np.where(np.isnan(values), 0.0, values), starts, axis=0)
    with np.errstate(invalid="ignore"):
        mean = sums / np.where(counts > 0, counts, np.nan)
    low = np.fmin.reduceat(values, starts, axis=0)
    high = np.fmax.reduceat(values, starts, axis=0)
    keep = (counts > 0).any(axis=1)
    return Pieces(buckets[keep] * BUCKET_S, low[keep], mean[keep], high[keep], counts[keep])


def as_pieces(readings: Readings) -> Pieces:
    """Rows as pieces of one reading each, so that both can be cut into buckets together."""
    values = np.stack([getattr(readings, name) for name in CHANNELS], axis=1)
    return Pieces(readings.times_s, values, values, values, (~np.isnan(values)).astype(np.int64))


def joined(parts: Sequence[Pieces]) -> Pieces:
    """One after another."""
    if not parts:
        return NO_PIECES
    return Pieces(*(np.concatenate([getattr(p, name) for p in parts]) for name in Pieces.__slots__))


def bucket_length_s(from_s: int, to_s: int, points: int, step_s: int, least_s: int = 1) -> int:
    """A round length so that the buckets that [from_s, to_s) touches are at most ``points``."""
    wanted = max((to_s - from_s) / max(points - 1, 1), least_s, step_s)
    for nice in _NICE_S:
        if nice >= wanted and nice % step_s == 0:
            return nice
    unit = int(np.lcm(step_s, 86400)) if wanted > 86400 else step_s
    return _ceil(int(np.ceil(wanted)), unit)


def in_buckets(
    station: str, pieces: Pieces, from_s: int, to_s: int, bucket_s: int, *, is_thinned: bool
) -> Series2:
    """Cut pieces into buckets; ``from_s`` and ``to_s`` are multiples of ``bucket_s``."""
    n = max(0, (to_s - from_s) // bucket_s)
    at = (pieces.times_s - from_s) // bucket_s
    inside = (at >= 0) & (at < n)
    at = at[inside]
    channels = {}
    for number, name in enumerate(CHANNELS):
        low, high = np.full(n, np.inf), np.full(n, -np.inf)
        np.fmin.at(low, at, pieces.low[inside, number])
        np.fmax.at(high, at, pieces.high[inside, number])
        counts = pieces.counts[inside, number]
        total = np.bincount(at, weights=np.nan_to_num(pieces.mean[inside, number]) * counts, minlength=n)
        n_each = np.bincount(at, weights=counts, minlength=n)
        is_empty = n_each == 0
        low[is_empty] = high[is_empty] = np.nan
        with np.errstate(invalid="ignore"):
            mean = total / np.where(is_empty, np.nan, n_each)
        # the mean of equal numbers may differ from them in the last digit
        channels[name] = Buckets(low, np.clip(mean, low, high), high)
    return Series2(station, from_s + bucket_s * np.arange(n, dtype=np.int64), bucket_s, channels, is_thinned)


def _ceil(value: int, step: int) -> int:
    return -(-value // step) * step
