"""Readings of one role put in the order of time, each time once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steadyhead.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Ordered:
    """How to order readings.

    kept : positions of the readings that stay, in the order of time; a full slice if all stay as they are
    duplicates : positions of readings that repeat time and value of a kept one, rising
    conflicting : positions of readings with the time of a kept one and another value, rising
    has_conflict : shape of ``kept``: another value of the same time was refused
    n_out_of_order : readings that stood after a later one of the same file
    """

    kept: IntArray | slice
    duplicates: IntArray
    conflicting: IntArray
    has_conflict: BoolArray
    n_out_of_order: int


def in_order(us: IntArray, values: FloatArray, starts: IntArray) -> Ordered:
    """Order by time; of several readings of one time the last good one stays.

    us, values : shape (n,) in file order; NaN values are refused ones
    starts : shape (n_files,) positions at which the readings of each file start
    """
    none = np.zeros(0, dtype=np.int64)
    n = len(us)
    if n < 2 or (us[1:] > us[:-1]).all():
        return Ordered(slice(None), none, none, np.zeros(n, dtype=np.bool_), 0)
    n_late = sum(
        int((part < np.maximum.accumulate(part)).sum()) for part in np.split(us, starts[1:]) if len(part)
    )
    order = np.argsort(us, kind="stable")
    if (np.diff(us[order]) == 0).any():
        order = np.lexsort((np.arange(n), ~np.isnan(values), us))  # within a time: refused, then good, by row
    sorted_us = us[order]
    is_last = np.append(sorted_us[1:] != sorted_us[:-1], True)
    kept = order[is_last]
    group = np.cumsum(is_last) - is_last  # number of the time that each sorted reading belongs to
    dropped, winner = order[~is_last], kept[group[~is_last]]
    is_good = ~np.isnan(values[dropped])
    is_same = values[dropped] == values[winner]
    has_conflict = np.zeros(len(kept), dtype=np.bool_)
    has_conflict[group[~is_last][is_good & ~is_same]] = True
    return Ordered(
        kept, np.sort(dropped[is_good & is_same]), np.sort(dropped[is_good & ~is_same]), has_conflict, n_late
    )
