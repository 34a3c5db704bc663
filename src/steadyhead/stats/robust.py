"""Scale, lines and effective sample sizes that a few bad samples or correlated ones do not spoil."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line with an interval for its slope.

    slope, intercept : of y against x;  slope_low, slope_high : interval at the asked confidence
    scale : robust standard deviation of y about the line
    """

    slope: float
    intercept: float
    slope_low: float
    slope_high: float
    scale: float


def mad_scale(values: FloatArray) -> float:
    """Standard deviation from the median absolute deviation (x 1.4826); NaN samples are left out.

    NaN if nothing is left. Zero where more than half of the samples are equal.
    """
    finite = values[np.isfinite(values)]
    if finite.shape[0] == 0:
        return math.nan
    return float(stats.median_abs_deviation(finite, scale="normal"))


def robust_line(x: FloatArray, y: FloatArray, confidence: float = 0.95) -> Line:
    """Line by M-estimation with Tukey's biweight; outliers lose their weight altogether.

    x, y : shape (n,), pairs with NaN left out. The interval takes the samples as independent.
    Source: statsmodels RLM.
    Raises ReadingsError if fewer than 3 pairs are left or x does not vary.
    """
    import statsmodels.api as sm  # takes a second to load; a command line that waits annoys

    x, y = _pairs(x, y)
    if np.ptp(y - np.polyval(np.polyfit(x, y, 1), x)) <= 1e-12 * max(1.0, float(np.max(np.abs(y)))):
        slope, intercept = np.polyfit(x, y, 1)  # an exact line has no scale for the weights to use
        return Line(float(slope), float(intercept), float(slope), float(slope), 0.0)
    fit = sm.RLM(y, sm.add_constant(x), M=sm.robust.norms.TukeyBiweight()).fit()
    low, high = fit.conf_int(1.0 - confidence)[1]
    return Line(float(fit.params[1]), float(fit.params[0]), float(low), float(high), float(fit.scale))


def theil_sen(x: FloatArray, y: FloatArray, confidence: float = 0.95) -> Line:
    """Line whose slope is the median of all pairwise slopes; breaks down beyond 29 % of outliers.

    x, y : shape (n,), pairs with NaN left out. Memory and time go with n squared: a few thousand at most.
    The interval takes the samples as independent.
    Source: Sen, J. Am. Stat. Assoc. 63 (1968) 1379, as in scipy.stats.theilslopes.
    Raises ReadingsError if fewer than 3 pairs are left or x does not vary.
    """
    x, y = _pairs(x, y)
    fit = stats.theilslopes(y, x, confidence)
    slope, intercept = float(fit.slope), float(fit.intercept)
    scale = mad_scale(y - slope * x - intercept)
    return Line(slope, intercept, float(fit.low_slope), float(fit.high_slope), scale)


def lag_one_correlation(values: FloatArray) -> float:
    """Correlation of neighbours in time, from the pairs where neither is NaN; 0 where it cannot be told."""
    before, after = values[:-1], values[1:]
    both = np.isfinite(before) & np.isfinite(after)
    if np.count_nonzero(both) < 3:
        return 0.0
    mean = float(np.mean(values[np.isfinite(values)]))
    before, after = before[both] - mean, after[both] - mean
    power = float(np.sqrt(np.mean(before**2) * np.mean(after**2)))
    return float(np.mean(before * after)) / power if power > 0.0 else 0.0


def variance_inflation(lag_one: float) -> float:
    """Factor by which correlation raises the variance of a mean of an AR(1) series: (1 + phi)/(1 - phi).

    Raises ReadingsError if ``lag_one`` is not between -1 and 1.
    """
    if not -1.0 < lag_one < 1.0:
        raise ReadingsError(f"robust: lag-one correlation is {lag_one}, wanted between -1 and 1")
    return (1.0 + lag_one) / (1.0 - lag_one)


def effective_count(count: float, lag_one: float) -> float:
    """Independent samples that tell as much about the mean as ``count`` samples of an AR(1) series."""
    return count / variance_inflation(lag_one)


def _pairs(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    if x.shape != y.shape or x.ndim != 1:
        raise ReadingsError(
            f"robust: x has shape {x.shape} and y {y.shape}; give one dimension and one length"
        )
    both = np.isfinite(x) & np.isfinite(y)
    x, y = x[both], y[both]
    if x.shape[0] < 3 or not np.ptp(x) > 0.0:
        raise ReadingsError(
            f"robust: {x.shape[0]} pairs over one value of x or too few; wanted 3 or more over a range"
        )
    return x, y
