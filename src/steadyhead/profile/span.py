"""The learning span as plain columns, with what must not be learned masked out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steadyhead.profile.expect import week_quarter
from steadyhead.profile.known import Known
from steadyhead.readings.ticks import Ticks, times_s
from steadyhead.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Span:
    """Ticks of the learning span.

    outlet_kpa, inlet_kpa, flow_lps, command_kpa : shape (n_ticks,), NaN where missing
    keep : ticks that may be learned from; quarter : quarter hour of the local week; hour : local hour
    """

    ticks: Ticks
    keep: BoolArray
    quarter: IntArray
    hour: FloatArray

    @property
    def outlet_kpa(self) -> FloatArray:
        """Outlet pressure."""
        return np.asarray(self.ticks.table["outlet_kpa"])

    @property
    def inlet_kpa(self) -> FloatArray:
        """Inlet pressure."""
        return np.asarray(self.ticks.table["inlet_kpa"])

    @property
    def flow_lps(self) -> FloatArray:
        """Flow."""
        return np.asarray(self.ticks.table["flow_lps"])

    @property
    def command_kpa(self) -> FloatArray:
        """Commanded set pressure."""
        return np.asarray(self.ticks.table["command_kpa"])


def span(ticks: Ticks, known: Known, left_out: list[tuple[float, float]]) -> Span:
    """Span of all ticks; those within ``left_out`` (seconds since 1970, from and to) are masked."""
    time = times_s(ticks)
    keep = ~np.isnan(ticks.table["outlet_kpa"])
    for from_s, to_s in left_out:
        keep &= ~((time >= from_s) & (time <= to_s))
    quarter, hour = week_quarter(time, known.time_zone)
    return Span(ticks=ticks, keep=keep, quarter=quarter, hour=hour)


def robust_spread(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation (normal: factor 1.4826); NaN if empty."""
    if not len(values):
        return float("nan")
    return float(1.482602 * np.median(np.abs(values - np.median(values))))


def block_means(values: FloatArray, size: int) -> FloatArray:
    """Means of whole blocks of ``size`` rows, NaN rows ignored, NaN for an empty block."""
    n = len(values) // size
    cut = values[: n * size].reshape(n, size)
    count = (~np.isnan(cut)).sum(axis=1)
    total = np.nansum(cut, axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def thinned(values: np.ndarray, most: int = 60_000) -> np.ndarray:
    """At most about ``most`` values, evenly taken; enough for any quantile used here.

    The stride is odd, so that it does not fall into step with the hours of the day.
    """
    stride = max(1, len(values) // most)
    return values[:: stride + 1 - stride % 2]
