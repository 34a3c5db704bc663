"""Is there an oscillation, how regular is it, and what is its period?

Periodograms for evenly and unevenly sampled series with the chance of a false peak, and the regularity of the
autocorrelation. All times share one unit; periods come back in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import signal, special

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

REGULAR_RATIO = 1.0  # Thornhill, Huang & Zhang 2003: r > 1 is a regular oscillation


@dataclass(frozen=True, slots=True)
class Peak:
    """Highest peak of a periodogram.

    period : in the unit of the times;  power : share of the variance that a sine of it explains, 0 to 1
    chance : of a peak as high or higher anywhere in the grid, if the series were white noise
    """

    period: float
    power: float
    chance: float


@dataclass(frozen=True, slots=True)
class Regularity:
    """Regularity of an oscillation, from zero crossings of its autocorrelation.

    period, spread : mean and standard deviation of the period [samples];  ratio : r = period / (3 spread),
    regular above 1;  intervals : how many intervals between crossings it rests on
    """

    period: float
    spread: float
    ratio: float
    intervals: int


def frequency_grid(times: FloatArray, max_frequency: float, per_peak: int = 5) -> FloatArray:
    """Even grid of frequencies [cycles per unit of ``times``], fine enough to meet every peak.

    times : shape (n,), rising;  per_peak : points over the width of a peak, 1/span.
    Raises ReadingsError if the span is zero or the highest frequency is below the grid step.
    """
    span = float(times[-1] - times[0]) if times.shape[0] > 1 else 0.0
    if not (span > 0.0 and max_frequency * span * per_peak >= 1.0):
        raise ReadingsError(
            f"spectrum: a span of {span} with frequencies up to {max_frequency} holds no full grid step; "
            "give a longer span"
        )
    step = 1.0 / (span * per_peak)
    first = 0.5 * step
    return first + step * np.arange(1 + round((max_frequency - first) / step), dtype=np.float64)


def lomb_scargle(times: FloatArray, values: FloatArray, frequencies: FloatArray) -> FloatArray:
    """Share of the variance about the mean that a sine of each frequency explains; shape of ``frequencies``.

    times, values : shape (n,), no NaN, any spacing;  frequencies : cycles per unit of ``times``.
    Source: Zechmeister & Kürster 2009 (floating mean), as in scipy.signal.lombscargle.
    Raises ReadingsError if shapes differ, fewer than 4 samples are given or they do not vary.
    """
    if times.shape != values.shape or times.shape[0] < 4 or not np.ptp(values) > 0.0:
        raise ReadingsError(
            f"spectrum: times {times.shape} and values {values.shape} must have one shape, "
            "at least 4 samples and some variation"
        )
    # the normalised power is relative to zero, so the mean goes first
    power = signal.lombscargle(
        times,
        values - values.mean(),
        2.0 * math.pi * frequencies,
        floating_mean=True,
        normalize=True,
    )
    return np.asarray(power, dtype=np.float64)


def false_peak_chance(power: float, times: FloatArray, max_frequency: float) -> float:
    """Chance that white noise shows a Lomb-Scargle peak of ``power`` or more below ``max_frequency``.

    Source: Baluev, MNRAS 385 (2008) 1279, eq. 6. Correlated noise makes false peaks that this does not know.
    """
    n = times.shape[0]
    single = (1.0 - power) ** (0.5 * (n - 3))
    width = max_frequency * math.sqrt(4.0 * math.pi * float(np.var(times)))
    dof = n - 1
    gamma = math.sqrt(2.0 / dof) * math.exp(special.gammaln(0.5 * dof) - special.gammaln(0.5 * (dof - 1)))
    tau = gamma * width * (1.0 - power) ** (0.5 * (n - 4)) * math.sqrt(0.5 * dof * power)
    return float(-math.expm1(-tau) + single * math.exp(-tau))


def strongest_period(
    times: FloatArray, values: FloatArray, max_frequency: float, min_frequency: float = 0.0
) -> Peak:
    """Period that explains most of the variance, and the chance that noise would show as much.

    times, values : shape (n,), no NaN;  frequencies in cycles per unit of ``times``.
    Looks over the whole grid first, then closely about the best place.
    """
    grid = frequency_grid(times, max_frequency)
    grid = grid[grid >= min_frequency]
    if grid.shape[0] == 0:
        raise ReadingsError(f"spectrum: no frequency between {min_frequency} and {max_frequency}")
    best = float(grid[np.argmax(lomb_scargle(times, values, grid))])
    step = 1.0 / (5.0 * float(times[-1] - times[0]))
    near = np.linspace(max(best - step, 0.1 * step), best + step, 41)
    power = lomb_scargle(times, values, near)
    top = int(np.argmax(power))
    height = min(float(power[top]), 1.0)
    return Peak(1.0 / float(near[top]), height, false_peak_chance(height, times, float(grid[-1])))


def autocorrelation(values: FloatArray, max_lag: int) -> FloatArray:
    """Autocorrelation at lags 0 to ``max_lag``; shape (max_lag + 1,). NaN samples are left out.

    Source: statsmodels.tsa.stattools.acf.
    """
    from statsmodels.tsa.stattools import acf  # takes a second to load; a command line that waits annoys

    if values.shape[0] <= max_lag or not np.nanstd(values) > 0.0:
        raise ReadingsError(
            f"spectrum: {values.shape[0]} samples cannot give an autocorrelation up to lag {max_lag}; "
            "give more samples, and ones that vary"
        )
    missing = "conservative" if np.isnan(values).any() else "none"
    return np.asarray(acf(values, nlags=max_lag, fft=True, missing=missing), dtype=np.float64)


def regularity(correlation: FloatArray, max_crossings: int = 11) -> Regularity | None:
    """Regularity of an oscillation from the zero crossings of its autocorrelation.

    correlation : shape (n_lags,), from lag 0. None where there are fewer than four crossings.
    The interval before the first crossing is a quarter period and is left out. Filter first where the
    noise is larger than the oscillation.
    Source: Thornhill, Huang & Zhang, J. Process Control 13 (2003) 91 (formulas from memory).
    """
    signs = correlation >= 0.0
    before = np.flatnonzero(signs[1:] != signs[:-1])[:max_crossings]
    if before.shape[0] < 4:
        return None
    a, b = correlation[before], correlation[before + 1]
    gaps = np.diff(before + a / (a - b))
    period = 2.0 * float(gaps.mean())
    spread = 2.0 * float(gaps.std(ddof=1))
    return Regularity(period, spread, period / (3.0 * spread) if spread > 0.0 else math.inf, gaps.shape[0])
