"""Figures of a station for plots that are not over time: droop, closed nights, oscillation.

Worked out from readings and profile alone, as plain arrays; who draws them and how is not known here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.signal import detrend, periodogram

from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.types import BoolArray, FloatArray, IntArray

MOST_DOTS = 1500  # more hide each other
LEAST_CLOSED_S = 1200  # as in profile/lockup.py: shorter, and the outlet has not settled
MOST_CLOSED = 120
NO_METER = "No flow was measured in this span, so it cannot be told when the station was shut."
LEAST_ROOM_KPA = 1.0  # of inlet over lock-up; below it a share of the way means nothing
SWING_ROWS = 4096
LEAST_ROWS = 32  # fewer give a handful of points of a spectrum, which shows nothing
CYCLES_SHOWN = 30


@dataclass(frozen=True, slots=True)
class DroopFigure:
    """Outlet against flow.

    flow_lps, outlet_kpa : shape (n,), at most MOST_DOTS, evenly picked; times_s : when
    learned_flow_lps, learned_outlet_kpa : the learned curve, flow rising; empty where none was learned
    why_not : why there are no dots, or None
    """

    times_s: IntArray
    flow_lps: FloatArray
    outlet_kpa: FloatArray
    learned_flow_lps: FloatArray
    learned_outlet_kpa: FloatArray
    why_not: str | None


@dataclass(frozen=True, slots=True)
class ClosedPeriod:
    """One stretch without flow.

    first_kpa, last_kpa, highest_kpa : outlet at its start, at its end, and the highest (median of the first
        and the last tenth, and the 95 % point, so that one wild reading sets nothing)
    rise_kpa : last minus first;  inlet_kpa : median inlet, NaN where none is measured
    way : share of the way from the learned lock-up to the inlet that the last outlet has gone; NaN if unknown
    """

    from_s: int
    to_s: int
    first_kpa: float
    last_kpa: float
    highest_kpa: float
    rise_kpa: float
    inlet_kpa: float
    way: float


@dataclass(frozen=True, slots=True)
class ClosedFigure:
    """Closed periods of LEAST_CLOSED_S or more, oldest first, at most the last MOST_CLOSED.

    cutoff_lps : flow at or below which the station counts as shut;  lock_up_kpa : learned, NaN if never seen
    left_out : older periods that are not listed;  why_not : why there are none, or None
    """

    periods: tuple[ClosedPeriod, ...]
    cutoff_lps: float
    lock_up_kpa: float
    left_out: int
    why_not: str | None


@dataclass(frozen=True, slots=True)
class SwingFigure:
    """The stretch of the span in which the outlet moved most, as a wave and as amplitude by period.

    times_s, outlet_kpa : shape (n,) the wave;  period_s, amplitude_kpa : shape (m,), period falling
    strongest_s, strongest_kpa : period and amplitude of the highest point; NaN where there is none
    shortest_s : shortest period this sampling can show (two samples)
    why_not : why there is no wave, or None
    """

    times_s: IntArray
    outlet_kpa: FloatArray
    period_s: FloatArray
    amplitude_kpa: FloatArray
    strongest_s: float
    strongest_kpa: float
    shortest_s: float
    why_not: str | None


_NONE: FloatArray = np.zeros(0)
_NO_TIMES: IntArray = np.zeros(0, dtype=np.int64)


def droop_figure(readings: Readings, profile: Profile | None) -> DroopFigure:
    """Outlet against flow, beside the learned curve."""
    curve_lps, curve_kpa = _NONE, _NONE
    if profile is not None and profile.droop.flow_lps:
        curve_lps = np.asarray(profile.droop.flow_lps)
        curve_kpa = np.asarray(profile.droop.offset_kpa) + profile.set_pressure.typical_kpa
    both = np.flatnonzero(np.isfinite(readings.flow_lps) & np.isfinite(readings.outlet_kpa))
    why_not = None
    if not both.size:
        has_flow = np.isfinite(readings.flow_lps).any()
        why_not = (
            "No reading of the span has both outlet and flow."
            if has_flow
            else "No flow was measured in this span, so there is nothing to plot the outlet against."
        )
    chosen = both[np.linspace(0, both.size - 1, min(MOST_DOTS, both.size)).astype(int)] if both.size else both
    return DroopFigure(
        readings.times_s[chosen], readings.flow_lps[chosen], readings.outlet_kpa[chosen],
        curve_lps, curve_kpa, why_not,
    )  # fmt: skip


def closed_figure(readings: Readings, profile: Profile | None, cutoff_lps: float | None) -> ClosedFigure:
    """Stretches without flow.

    cutoff_lps : of the meter, where there is no profile that has learned one
    """
    cutoff = profile.lock_up.cutoff_lps if profile is not None else (cutoff_lps or 0.0)
    lock_up = np.nan
    if profile is not None and profile.lock_up.closed_nights:
        lock_up = profile.lock_up.lock_up_kpa
    if not np.isfinite(readings.flow_lps).any():
        return ClosedFigure((), cutoff, lock_up, 0, NO_METER)
    stretches = _stretches(readings.flow_lps <= cutoff)  # NaN compares false, so a gap ends a stretch
    least_rows = -(-LEAST_CLOSED_S // readings.step_s)
    long = [(first, last) for first, last in stretches if last - first >= least_rows]
    kept = long[-MOST_CLOSED:]
    periods = [_closed(readings, first, last, lock_up) for first, last in kept]
    known = tuple(period for period in periods if period is not None)
    why_not = None if known else "In this span the flow never stopped for 20 minutes or more."
    return ClosedFigure(known, cutoff, lock_up, len(long) - len(kept), why_not)


def _closed(readings: Readings, first: int, last: int, lock_up_kpa: float) -> ClosedPeriod | None:
    outlet = readings.outlet_kpa[first:last]
    outlet = outlet[np.isfinite(outlet)]
    if not outlet.size:
        return None
    tenth = max(1, outlet.size // 10)
    begin, end = float(np.median(outlet[:tenth])), float(np.median(outlet[-tenth:]))
    inlet = readings.inlet_kpa[first:last]
    inlet_kpa = float(np.nanmedian(inlet)) if np.isfinite(inlet).any() else np.nan
    room = inlet_kpa - lock_up_kpa
    return ClosedPeriod(
        from_s=readings.start_s + readings.step_s * first,
        to_s=readings.start_s + readings.step_s * last,
        first_kpa=begin,
        last_kpa=end,
        highest_kpa=float(np.quantile(outlet, 0.95)),
        rise_kpa=end - begin,
        inlet_kpa=inlet_kpa,
        way=(end - lock_up_kpa) / room if room > LEAST_ROOM_KPA else np.nan,
    )


def swing_figure(readings: Readings) -> SwingFigure:
    """The busiest stretch of the outlet, and its amplitude by period."""
    shortest_s = 2.0 * readings.step_s
    first, last = _busiest(readings.outlet_kpa, min(SWING_ROWS, len(readings)))
    outlet = readings.outlet_kpa[first:last]
    times_s = readings.times_s[first:last]
    known = np.isfinite(outlet)
    if known.sum() < LEAST_ROWS:
        why_not = f"There are fewer than {LEAST_ROWS} readings of the outlet in this span."
        return SwingFigure(_NO_TIMES, _NONE, _NONE, _NONE, np.nan, np.nan, shortest_s, why_not)
    rows = np.arange(outlet.shape[0])
    filled = np.interp(rows, rows[known], outlet[known])
    # A Hann window halves a sine, and the one-sided "spectrum" of a sine is its amplitude squared over two.
    frequency, power = periodogram(
        filled, fs=1.0 / readings.step_s, window="hann", detrend=detrend, scaling="spectrum"
    )
    period_s, amplitude_kpa = 1.0 / frequency[1:], np.sqrt(2.0 * power[1:])
    top = int(np.argmax(amplitude_kpa))
    first, last = _shown(outlet, period_s[top] / readings.step_s)
    return SwingFigure(
        times_s[first:last], outlet[first:last], period_s, amplitude_kpa, float(period_s[top]),
        float(amplitude_kpa[top]), shortest_s, None,
    )  # fmt: skip


def _shown(outlet: FloatArray, period_rows: float) -> tuple[int, int]:
    """Rows of the wave to show: some cycles of it, where it moves most."""
    length = int(np.clip(CYCLES_SHOWN * period_rows, 128, outlet.shape[0])) if outlet.shape[0] > 128 else 128
    return _busiest(outlet, min(length, outlet.shape[0]))


def _busiest(values: FloatArray, length: int) -> tuple[int, int]:
    """First and last row (not included) of the stretch that moves most from row to row."""
    if length >= values.shape[0]:
        return 0, values.shape[0]
    moves = np.nan_to_num(np.diff(values, prepend=np.nan)) ** 2
    total = np.concatenate([[0.0], np.cumsum(moves)])
    first = int(np.argmax(total[length:] - total[:-length]))
    return first, first + length


def _stretches(rows: BoolArray) -> list[tuple[int, int]]:
    """Runs of true rows, as first and last (not included)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], rows.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
