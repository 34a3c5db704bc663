"""The learning span as plain columns, with what must not be learned masked out.

The readings are condensed block by block, and only what learning needs of the whole span is kept; whole ticks
stay of its latest quarter year alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from steadyhead.profile.expect import week_quarter
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import Ticks, condense, new_memory, tick_s
from steadyhead.stats.robust import mad_scale
from steadyhead.types import BoolArray, FloatArray

CALIBRATE_S = 90 * 86400  # scatter, thresholds and novelty come from the latest quarter of a long span
LEAST_TICKS = 100
LEAST_DROP = 0.03  # of set, inlet over outlet
BLOCK_TICKS = 8192  # a block's ticks stay in cache
Parts = list[tuple[float, float]]
"""Stretches of time, seconds since 1970-01-01 UTC, from and to."""
COLUMNS = ("outlet_kpa", "inlet_kpa", "flow_lps", "command_kpa")


@dataclass(frozen=True, slots=True)
class Span:
    """Ticks of the learning span.

    start_s, tick_s : as of ``Ticks``
    outlet_kpa, inlet_kpa, flow_lps, command_kpa : shape (n_ticks,), NaN where missing
    keep : ticks that may be learned from; quarter : quarter hour of the local week
    recent : whole ticks of the latest ``CALIBRATE_S``
    """

    start_s: int
    tick_s: int
    outlet_kpa: FloatArray
    inlet_kpa: FloatArray
    flow_lps: FloatArray
    command_kpa: FloatArray
    keep: BoolArray
    quarter: NDArray[np.int16]
    recent: Ticks

    def __len__(self) -> int:
        return int(self.outlet_kpa.shape[0])

    def without(self, parts: Parts) -> Span:
        """The span with ``parts`` masked, both ends included."""
        keep = ~np.isnan(self.outlet_kpa)
        for from_s, to_s in parts:
            first = max(0, int(np.ceil((from_s - self.start_s) / self.tick_s)))
            last = int(np.floor((to_s - self.start_s) / self.tick_s))
            keep[first : max(last + 1, first)] = False
        return replace(self, keep=keep)


def gather(readings: Readings, time_zone: str, arm_kpa: float, spike_kpa: float) -> Span:
    """Span of all readings; ``arm_kpa`` and ``spike_kpa`` as for ``condense``."""
    length = tick_s(readings.step_s)
    per_tick = length // readings.step_s
    n = len(readings) // per_tick
    n_early = max(0, n - CALIBRATE_S // length)
    columns = {name: np.empty(n) for name in COLUMNS if name != "command_kpa"}
    # most stations have no command, and a column of nothing need not take room
    commanded = not np.isnan(readings.command_kpa).all()
    columns["command_kpa"] = np.empty(n) if commanded else np.broadcast_to(np.nan, n)
    memory = new_memory()

    def take(first: int, last: int) -> Ticks:
        ticks = condense(readings.rows(first * per_tick, last * per_tick), memory, arm_kpa, spike_kpa)
        for name, column in columns.items():
            if column.flags.writeable:
                column[first:last] = ticks.table[name]
        return ticks

    for first in range(0, n_early, BLOCK_TICKS):
        take(first, min(first + BLOCK_TICKS, n_early))
    recent = take(n_early, n)
    start_s = readings.start_s + (per_tick - 1) * readings.step_s
    quarter = week_quarter(start_s, length, n, time_zone)
    keep = ~np.isnan(columns["outlet_kpa"])
    return Span(start_s, length, **columns, keep=keep, quarter=quarter, recent=recent)


def cut_out(part: tuple[float, float], spared: Parts) -> Parts:
    """What is left of a stretch of time without ``spared``, which do not overlap."""
    left, begin = [], part[0]
    for from_s, to_s in sorted(spared):
        if to_s <= begin or from_s >= part[1]:
            continue
        left.append((begin, from_s))
        begin = to_s
    left.append((begin, part[1]))
    return [(a, b) for a, b in left if b > a]


def regulating_ticks(
    span: Span, has_inlet: bool, has_flow: bool, cutoff_lps: float, rough_kpa: float
) -> BoolArray:
    """Ticks with flow and with an inlet well above the outlet; all of them where there are next to none."""
    regulating = span.keep & (span.flow_lps > cutoff_lps) if has_flow else span.keep
    if has_inlet:
        regulating = regulating & ~(span.inlet_kpa < span.outlet_kpa + LEAST_DROP * rough_kpa)
    return regulating if regulating.sum() >= LEAST_TICKS else span.keep


def robust_spread(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation; NaN if empty."""
    return mad_scale(values)


def block_means(values: FloatArray, size: int) -> FloatArray:
    """Means of whole blocks of ``size`` rows, NaN rows ignored, NaN for an empty block."""
    n = len(values) // size
    cut = values[: n * size].reshape(n, size)
    missing = np.isnan(cut)
    count = size - missing.sum(axis=1)
    total = np.where(missing, 0.0, cut).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def thinned(values: np.ndarray, most: int = 60_000) -> np.ndarray:
    """At most about ``most`` values, evenly taken; enough for any quantile used here.

    The stride is odd, so that it does not fall into step with the hours of the day.
    """
    stride = max(1, len(values) // most)
    return values[:: stride + 1 - stride % 2]
