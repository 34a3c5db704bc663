"""Local clock times as UTC, through the hours that happen twice or not at all."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from steadyhead.types import BoolArray, IntArray

_DAY_US = 86_400_000_000


class Placed(NamedTuple):
    """Local times placed in UTC, each shape (n,).

    us : microseconds since 1970 UTC; meaningless where one of the masks is true
    is_ambiguous : the clock showed this time twice and the order of rows does not tell which was meant
    is_missing : the clock never showed this time
    """

    us: IntArray
    is_ambiguous: BoolArray
    is_missing: BoolArray


def to_utc(local_us: IntArray, time_zone: str, longest_gap_s: float) -> Placed:
    """Place local times in UTC, in the order in which a logger wrote them.

    local_us : shape (n,) microseconds of the local clock, in file order
    time_zone : IANA zone of the clock
    longest_gap_s : longest time between two readings that is no gap
    In the hour that happens twice, rows before the clock falls back are its first pass and rows after it
    the second. Where the clock is not seen to fall back, a pass is known if it joins, without a gap, the
    readings before the hour (first pass) or after it (second), and not both. All else is ambiguous.
    """
    local = pd.DatetimeIndex(local_us.view("datetime64[us]"))
    placed = _as_us(local.tz_localize(time_zone, ambiguous="NaT", nonexistent="NaT"))
    nat = np.iinfo(np.int64).min
    is_open = placed == nat
    nothing = np.zeros(len(local), dtype=np.bool_)
    if not is_open.any():
        return Placed(placed, nothing, nothing)
    at = np.flatnonzero(is_open)
    either = [
        _as_us(local[at].tz_localize(time_zone, ambiguous=np.full(len(at), flag), nonexistent="NaT"))
        for flag in (True, False)
    ]
    first, second = np.minimum(*either), np.maximum(*either)
    is_missing, is_ambiguous = nothing.copy(), nothing.copy()
    is_missing[at] = first == nat
    is_twice = first != nat
    at, first, second = at[is_twice], first[is_twice], second[is_twice]
    day = local_us[at] // _DAY_US
    gap_us = int(longest_gap_s * 1e6)
    for one_day in np.unique(day):
        group = np.flatnonzero(day == one_day)
        rows = at[group]
        before = placed[rows[0] - 1] if rows[0] > 0 else nat
        after = placed[rows[-1] + 1] if rows[-1] + 1 < len(placed) else nat
        is_first, is_second = _passes(first[group], second[group], int(before), int(after), gap_us)
        placed[rows] = np.where(is_first, first[group], second[group])
        is_ambiguous[rows] = is_first == is_second
    return Placed(placed, is_ambiguous, is_missing)


def _passes(
    first_us: IntArray, second_us: IntArray, before_us: int, after_us: int, gap_us: int
) -> tuple[BoolArray, BoolArray]:
    """Which rows of one repeated hour belong to its first and to its second pass; both or neither: unknown.

    first_us, second_us : shape (n,) UTC of each row if it were of the first or the second pass
    before_us, after_us : UTC of the rows around the hour; the least int64 if not known
    """
    n = len(first_us)
    nothing = np.zeros(n, dtype=np.bool_)
    steps = np.diff(first_us)
    falls_back = np.flatnonzero(steps < 0)
    if len(falls_back) == 1:
        last_of_first = int(falls_back[0])
        joint_us = second_us[last_of_first + 1] - first_us[last_of_first]
        shift_us = int(second_us[0] - first_us[0])
        # a row out of place falls back a little, and would leave nearly the whole hour empty
        if not 0 < joint_us <= max(gap_us, shift_us // 2) or (steps == 0).any():
            return nothing, nothing
        is_first = np.arange(n) <= last_of_first
        return is_first, ~is_first
    if len(falls_back) > 1 or (steps == 0).any():
        return nothing, nothing
    nat = np.iinfo(np.int64).min
    is_first, is_second = nothing.copy(), nothing.copy()
    breaks = np.flatnonzero(steps > gap_us)
    if before_us != nat and 0 < first_us[0] - before_us <= gap_us:
        is_first[: int(breaks[0]) + 1 if len(breaks) else n] = True
    if after_us != nat and 0 < after_us - second_us[-1] <= gap_us:
        is_second[int(breaks[-1]) + 1 if len(breaks) else 0 :] = True
    return is_first, is_second


def _as_us(index: pd.DatetimeIndex) -> IntArray:
    us: IntArray = index.as_unit("us").asi8.copy()
    return us
