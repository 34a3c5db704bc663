"""Does a series go up or down, how fast, how sure is that, and where is its level now?"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import stats

from steadyhead.errors import ReadingsError
from steadyhead.stats.robust import Line, theil_sen
from steadyhead.types import FloatArray

_EXACT_UP_TO = 60  # samples without ties; beyond, the normal approximation is as good to three figures


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann-Kendall test.

    s : rising pairs minus falling pairs;  z : standardised, with continuity correction
    chance : two-sided chance of an |s| as large or larger without trend
    exact : whether ``chance`` comes from the exact distribution
    """

    s: int
    z: float
    chance: float
    exact: bool


@dataclass(frozen=True, slots=True)
class Level:
    """Level (and trend) at the last sample, by a state-space model.

    level, level_low, level_high : filtered level and its interval, unit of the series
    trend, trend_low, trend_high : change per sample; 0 for the local-level model
    noise_variance, level_variance : estimated variances of the observation and of the level's steps
    path : shape (n,), filtered level at each sample
    """

    level: float
    level_low: float
    level_high: float
    trend: float
    trend_low: float
    trend_high: float
    noise_variance: float
    level_variance: float
    path: FloatArray


@dataclass(frozen=True, slots=True)
class Stationarity:
    """Result of the KPSS test: a statistic above its limit speaks against a constant level (or trend).

    chance is interpolated in a table from 0.01 to 0.1 and lies at its ends beyond.
    """

    statistic: float
    chance: float
    lags: int


def mann_kendall(values: FloatArray) -> MannKendall:
    """Test for a monotonic trend in independent samples; NaN samples are left out.

    values : shape (n,), in order of time. Exact for up to 60 samples without ties, otherwise normal with
    the variance corrected for ties.
    Sources: Mann, Econometrica 13 (1945) 245; Kendall, Rank Correlation Methods; exact distribution as in
    scipy.stats.kendalltau.
    Raises ReadingsError if fewer than 4 samples are left.
    """
    y = values[np.isfinite(values)]
    n = y.shape[0]
    if n < 4:
        raise ReadingsError(f"trend: {n} finite samples, Mann-Kendall wants 4 or more")
    s = sum(int(np.sign(y[lag:] - y[:-lag]).sum()) for lag in range(1, n))
    _, ties = np.unique(y, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18.0
    z = (s - np.sign(s)) / math.sqrt(variance) if variance > 0.0 else 0.0
    exact = n <= _EXACT_UP_TO and ties.shape[0] == n
    if exact:
        chance = float(stats.kendalltau(np.arange(n), y, method="exact").pvalue)
    else:
        chance = float(2.0 * stats.norm.sf(abs(z)))
    return MannKendall(s, float(z), min(1.0, chance), exact)


def block_theil_sen(x: FloatArray, y: FloatArray, block: int, confidence: float = 0.95) -> Line:
    """Theil-Sen line with a slope interval that holds for autocorrelated samples.

    x, y : shape (n,), evenly spaced in time;  block : samples per block, several times the correlation
    time. Each block is replaced by its medians, which are nearly independent; blocks that are all NaN are
    left out. The scale is that of the block medians.
    Raises ReadingsError if fewer than 4 blocks are left.
    """
    if x.shape != y.shape or block < 1:
        raise ReadingsError(
            f"trend: x has shape {x.shape}, y {y.shape}, block is {block}; wanted equal and >= 1"
        )
    count = y.shape[0] // block
    both = np.isfinite(x) & np.isfinite(y)
    kept = np.stack([np.where(both, x, np.nan), np.where(both, y, np.nan)])
    kept = kept[:, y.shape[0] - count * block :].reshape(2, count, block)  # the newest samples count most
    kept = kept[:, np.isfinite(kept[1]).any(axis=1)]
    if kept.shape[1] < 4:
        raise ReadingsError(
            f"trend: {y.shape[0]} samples make {kept.shape[1]} blocks of {block} with readings, "
            "wanted 4 or more; give a longer span"
        )
    x_block, y_block = np.nanmedian(kept, axis=2)
    return theil_sen(x_block, y_block, confidence)


def state_space_level(
    values: FloatArray,
    model: Literal["local level", "local linear trend"] = "local level",
    confidence: float = 0.95,
) -> Level:
    """Level now, with interval, of a series whose level wanders; NaN samples are bridged.

    values : shape (n,), evenly spaced. Fitted by maximum likelihood.
    Source: statsmodels UnobservedComponents; Durbin & Koopman, Time Series Analysis by State Space Methods.
    Raises ReadingsError if fewer than 10 finite samples are given or they do not vary.
    """
    from statsmodels.tsa.statespace.structural import UnobservedComponents  # takes a second to load

    finite = values[np.isfinite(values)]
    if finite.shape[0] < 10 or not np.ptp(finite) > 0.0:
        raise ReadingsError(
            f"trend: {finite.shape[0]} finite samples, wanted 10 or more that vary, to fit a level"
        )
    centre, scale = float(np.median(finite)), float(np.std(finite))  # the optimiser wants numbers near 1
    with warnings.catch_warnings():
        # a variance at its bound of zero is an answer here (no wandering), not a failure
        warnings.filterwarnings("ignore", category=Warning, module="statsmodels")
        fit = UnobservedComponents((values - centre) / scale, level=model).fit(disp=False, maxiter=200)
    reach = float(stats.norm.ppf(0.5 + 0.5 * confidence))
    state, covariance = fit.filtered_state[:, -1], fit.filtered_state_cov[:, :, -1]
    level, level_sd = float(state[0]), math.sqrt(max(0.0, float(covariance[0, 0])))
    has_trend = model == "local linear trend"
    trend = float(state[1]) if has_trend else 0.0
    trend_sd = math.sqrt(max(0.0, float(covariance[1, 1]))) if has_trend else 0.0
    names = list(fit.param_names)
    return Level(
        level=centre + scale * level,
        level_low=centre + scale * (level - reach * level_sd),
        level_high=centre + scale * (level + reach * level_sd),
        trend=scale * trend,
        trend_low=scale * (trend - reach * trend_sd),
        trend_high=scale * (trend + reach * trend_sd),
        noise_variance=scale**2 * float(fit.params[names.index("sigma2.irregular")]),
        level_variance=scale**2 * float(fit.params[names.index("sigma2.level")]),
        path=centre + scale * np.asarray(fit.filtered_state[0], dtype=np.float64),
    )


def kpss_test(
    values: FloatArray, about: Literal["level", "trend"] = "level", lags: int | None = None
) -> Stationarity:
    """Is the series stationary about a constant level, or about a straight line? NaN samples are left out.

    lags : of the long-run variance; chosen from the data if None.
    Source: Kwiatkowski et al., J. Econometrics 54 (1992) 159, as in statsmodels.
    Raises ReadingsError if fewer than 10 samples are left or they do not vary.
    """
    from statsmodels.tools.sm_exceptions import InterpolationWarning
    from statsmodels.tsa.stattools import kpss  # takes a second to load

    finite = values[np.isfinite(values)]
    if finite.shape[0] < 10 or not np.ptp(finite) > 0.0:
        raise ReadingsError(f"trend: {finite.shape[0]} finite samples, KPSS wants 10 or more that vary")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", InterpolationWarning)  # said in Stationarity
        warnings.simplefilter("ignore", FutureWarning)  # statsmodels 0.15 announces another return type
        result = kpss(
            finite, regression="c" if about == "level" else "ct", nlags="auto" if lags is None else lags
        )
    return Stationarity(float(result[0]), float(result[1]), int(result[2]))
