"""Is there an oscillation, how regular is it, what is its period, and can the sampling show it at all?

Periodograms for evenly and unevenly sampled series with the chance of a false peak, regularity of the
autocorrelation, and what sampling and averaging do to a sine. All times share one unit; periods come back
in it. The causal counterpart for use while samples arrive is ``stats.half_cycles``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import signal, special

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

REGULAR_RATIO = 1.0  # Thornhill, Huang & Zhang 2003: r > 1 is a regular oscillation
OSCILLATORY_INDEX = 0.5  # Miao & Seborg 1999: R > 0.5 is a troublesome oscillation (damping ratio < 0.2155)


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


def fisher_g(ordinates: FloatArray) -> tuple[float, float]:
    """Largest periodogram ordinate over their sum, and the chance of as much in white noise.

    ordinates : shape (m,), periodogram at the Fourier frequencies, without frequency 0 and the Nyquist one.
    Source: Fisher, Proc. R. Soc. A 125 (1929) 54.
    """
    total = float(ordinates.sum())
    if ordinates.shape[0] < 2 or not total > 0.0:
        raise ReadingsError("spectrum: Fisher's g needs 2 or more ordinates that are not all zero")
    g = float(ordinates.max()) / total
    return g, fisher_g_chance(g, ordinates.shape[0])


def fisher_g_chance(g: float, count: int) -> float:
    """Chance that the largest of ``count`` ordinates of white noise holds a share of more than ``g``."""
    if g >= 1.0:
        return 0.0
    if count * g < 1.0 or count * (1.0 - g) ** (count - 1) > 40.0:
        return 1.0  # certain to all figures, and the alternating sum below would lose its own
    terms = np.arange(1, min(count, math.floor(1.0 / g)) + 1, dtype=np.float64)
    rest = np.maximum(1.0 - terms * g, 0.0)
    with np.errstate(divide="ignore"):
        sizes = special.gammaln(count + 1.0) - special.gammaln(terms + 1.0)
        sizes = sizes - special.gammaln(count - terms + 1.0) + (count - 1) * np.log(rest)
    signs = np.where(terms % 2 == 1, 1.0, -1.0)
    return float(min(1.0, max(0.0, math.fsum(signs * np.exp(sizes)))))


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


def oscillation_index(correlation: FloatArray) -> float:
    """How little the autocorrelation dies away over its first period: 1 for a pure sine, 0 for none.

    correlation : shape (n_lags,), from lag 0. Height of the first peak over the line joining the troughs
    beside it, divided by the depth of the first trough under the line joining lag 0 and that peak.
    Source: Miao & Seborg 1999 (formula from memory); above 0.5 the oscillation is troublesome.
    """
    troughs = signal.argrelmin(correlation)[0]
    peaks = signal.argrelmax(correlation)[0]
    if troughs.shape[0] == 0:
        return 0.0
    first = int(troughs[0])
    later_peaks = peaks[peaks > first]
    if later_peaks.shape[0] == 0:
        return 0.0
    peak = int(later_peaks[0])
    later_troughs = troughs[troughs > peak]
    if later_troughs.shape[0] == 0:
        return 0.0
    second = int(later_troughs[0])
    between_troughs = np.interp(peak, [first, second], [correlation[first], correlation[second]])
    between_peaks = np.interp(first, [0, peak], [correlation[0], correlation[peak]])
    height = float(correlation[peak] - between_troughs)
    depth = float(between_peaks - correlation[first])
    return max(0.0, height / depth) if depth > 0.0 else 0.0


def half_wave_integrals(values: FloatArray, step: float) -> tuple[FloatArray, FloatArray]:
    """Integral of |value| over each half wave, and its length, between zero crossings.

    values : shape (n,), error about the wanted value;  step : sampling interval.
    Returns two arrays of shape (n_half_waves,); the parts before the first and after the last crossing
    are left out. Trapezoids, with crossings placed by straight lines.
    Source: Hägglund, Control Eng. Practice 3 (1995) 1543.
    """
    signs = values >= 0.0
    before = np.flatnonzero(signs[1:] != signs[:-1])
    if before.shape[0] < 2:
        return np.empty(0), np.empty(0)
    a, b = np.abs(values[before]), np.abs(values[before + 1])
    share = a / (a + b)
    crossings = step * (before + share)
    magnitude = np.abs(values)
    areas = 0.5 * step * (magnitude[1:] + magnitude[:-1])
    areas[before] = 0.5 * step * (share * a + (1.0 - share) * b)
    total = np.concatenate(([0.0], np.cumsum(areas)))
    # a crossing inside an interval splits its two triangles between the half waves
    at_crossing = total[before] + 0.5 * step * share * a
    return np.diff(at_crossing), np.diff(crossings)


def half_wave_integral_of_sine(amplitude: float, period: float) -> float:
    """Integral of |value| over half a wave of a sine: 2 a / omega = amplitude * period / pi."""
    return amplitude * period / math.pi


def shortest_resolvable_period(step: float) -> float:
    """Shortest period that samples ``step`` apart can show: two steps (Nyquist)."""
    return 2.0 * step


def apparent_period(period: float, step: float) -> float:
    """Period that a sine of ``period`` seems to have when sampled every ``step``; inf if it seems still."""
    if not (period > 0.0 and step > 0.0):
        raise ReadingsError(f"spectrum: period {period} and step {step} must both be more than 0")
    cycles_per_sample = step / period
    alias = abs(cycles_per_sample - round(cycles_per_sample))
    return step / alias if alias > 1e-12 else math.inf


def averaging_attenuation(period: float, interval: float) -> float:
    """Share of a sine's amplitude that is left when samples are means over ``interval``: |sinc|."""
    if not period > 0.0:
        raise ReadingsError(f"spectrum: period is {period}, wanted more than 0")
    return abs(float(np.sinc(interval / period)))
