"""Quarter hours of a run, as the detectors in the comparison see it."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from steadyhead.readings.frame import Readings
from steadyhead.trials.runs import CaseRun
from steadyhead.types import FloatArray

QUARTER_S = 900


@dataclass(frozen=True, slots=True)
class Track:
    """Score of a detector over the judged span; the on-delay is already in it.

    times_s : when each value is known, seconds since 1970-01-01 UTC; values : same shape, NaN where unknown
    """

    times_s: FloatArray
    values: FloatArray


Detector = Callable[[CaseRun], Track]


def quarters(readings: Readings) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Means, spread and extremes of each quarter hour; times are the quarters' ends."""
    per = max(1, QUARTER_S // readings.step_s)
    n = len(readings) // per * per
    end_s = readings.times_s[per - 1 : n : per].astype(np.float64)
    out: dict[str, FloatArray] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # quarters without any reading are NaN, as meant
        for name in ("outlet_kpa", "inlet_kpa", "flow_lps"):
            block = getattr(readings, name)[:n].reshape(-1, per)
            out[name] = np.nanmean(block, axis=1)
            if name == "outlet_kpa":
                out["low"], out["high"] = np.nanmin(block, axis=1), np.nanmax(block, axis=1)
                out["square"] = np.nanmean(block**2, axis=1)
    return end_s, out


def features(run: CaseRun) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Features of the hour before each quarter's end: learned from, and judged.

    Whole rows of the learning span, shape (n_learned, n_features), in their order; then times and rows of the
    judged span, shape (n_quarters, n_features), NaN where a channel is silent. A channel that is silent all
    through one of the spans is left out.
    """
    before_s, before = quarters(run.learning)
    end_s, now = quarters(run.judged)
    also = [n for n in ("inlet_kpa", "flow_lps") if all(np.isfinite(q[n]).any() for q in (before, now))]
    learned = _rows(before_s, before, also)
    return learned[np.isfinite(learned).all(axis=1)], end_s, _rows(end_s, now, also)


def _rows(end_s: FloatArray, q: dict[str, FloatArray], also: list[str]) -> FloatArray:
    """Level, spread and extremes of the outlet, time of day, and level of the other channels."""

    def trailing(values: FloatArray, how: Callable[..., FloatArray]) -> FloatArray:
        padded = np.concatenate([np.full(3, np.nan), values])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)
            return np.asarray(how(np.lib.stride_tricks.sliding_window_view(padded, 4), axis=1))

    mean = trailing(q["outlet_kpa"], np.nanmean)
    spread = np.sqrt(np.maximum(trailing(q["square"], np.nanmean) - mean**2, 0.0))
    hour = 2.0 * np.pi * np.mod(end_s, 86400.0) / 86400.0
    columns = [
        mean,
        spread,
        trailing(q["low"], np.nanmin),
        trailing(q["high"], np.nanmax),
        np.sin(hour),
        np.cos(hour),
    ]
    return np.column_stack([*columns, *(trailing(q[name], np.nanmean) for name in also)])


def filled(values: FloatArray) -> FloatArray:
    """Gaps hold the last value; a gap at the start takes the first one there is."""
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.zeros_like(values)
    last = known[np.maximum(np.searchsorted(known, np.arange(len(values)), side="right") - 1, 0)]
    return np.asarray(values[last], dtype=np.float64)
