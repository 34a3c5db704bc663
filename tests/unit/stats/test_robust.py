"""Robust scale, lines and effective counts against scipy, statsmodels and hand work."""

import math

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter
from statsmodels.robust.scale import mad

from steadyhead.errors import ReadingsError
from steadyhead.stats.robust import (
    effective_count,
    lag_one_correlation,
    mad_scale,
    robust_line,
    theil_sen,
    variance_inflation,
)

TEN = np.array([2.1, 2.4, 2.2, 2.9, 3.1, 2.8, 3.4, 3.3, 3.9, 4.0])


def test_mad_scale_is_the_median_deviation_times_1_4826():
    # by hand: deviations of 1, 2, 3, 4, 100 from 3 are 2, 1, 0, 1, 97, their median 1
    assert mad_scale(np.array([1.0, 2.0, 3.0, 4.0, 100.0, np.nan])) == pytest.approx(1.482602, abs=5e-7)
    values = np.random.default_rng(1).standard_normal(1000)
    assert mad_scale(values) == pytest.approx(float(mad(values)))  # independent: statsmodels
    assert mad_scale(values) == pytest.approx(1.0, abs=0.1)
    assert math.isnan(mad_scale(np.array([np.nan])))


def test_theil_sen_line_is_the_published_estimator():
    # Independent: scipy.stats.theilslopes gives 0.2 (0.15 to 0.257143)
    line = theil_sen(np.arange(10.0), TEN)
    assert line.slope == pytest.approx(0.2)
    assert (line.slope_low, line.slope_high) == pytest.approx((0.15, 0.257143), abs=1e-6)
    slopes = [(TEN[j] - TEN[i]) / (j - i) for i in range(10) for j in range(i + 1, 10)]  # the slow way
    assert line.slope == pytest.approx(np.median(slopes))


def test_theil_sen_stands_a_quarter_of_outliers_and_not_a_third():
    # Published: breakdown at 1 - 1/sqrt(2) = 29.3 % (Rousseeuw & Leroy 1987)
    x = np.arange(200.0)
    for share, is_near in ((0.25, True), (0.34, False)):
        y = 3.0 * x + np.random.default_rng(4).standard_normal(200)
        bad = x < share * 200
        y[bad] = 1e4 * x[bad] - 1e6  # steeper among themselves and against all others
        assert (abs(theil_sen(x, y).slope - 3.0) < 5.0) is is_near


def test_robust_line_ignores_gross_outliers():
    random = np.random.default_rng(5)
    x = np.linspace(0, 20, 300)
    y = 400.0 - 0.8 * x + random.normal(0, 1.5, 300)
    y[::10] += 60.0
    y[3] = np.nan
    line = robust_line(x, y)
    assert line.slope == pytest.approx(-0.8, abs=0.06)
    assert line.intercept == pytest.approx(400.0, abs=0.7)
    assert line.slope_low < -0.8 < line.slope_high
    assert line.scale == pytest.approx(1.5, rel=0.2)
    assert (
        abs(stats.linregress(np.delete(x, 3), np.delete(y, 3)).intercept - 400.0) > 3.0
    )  # plain one does not


def test_robust_line_through_exact_points_is_that_line():
    line = robust_line(np.array([0.0, 1.0, 2.0, 3.0]), np.array([1.0, 3.0, 5.0, 7.0]))
    assert (line.slope, line.intercept, line.scale) == pytest.approx((2.0, 1.0, 0.0))


@pytest.mark.parametrize(("phi", "factor"), [(0.5, 3.0), (0.8, 9.0), (0.9, 19.0), (0.95, 39.0), (0.0, 1.0)])
def test_correlation_inflates_the_variance_of_a_mean(phi, factor):
    # by hand: (1 + phi) / (1 - phi)
    assert variance_inflation(phi) == pytest.approx(factor)
    assert effective_count(100.0, phi) == pytest.approx(100.0 / factor)


def test_variance_of_means_of_a_correlated_series_is_as_said():
    # Independent: simulation, 4000 means of 200 samples, phi 0.8; finite length takes a few per cent off
    noise = np.random.default_rng(6).standard_normal((4000, 260))
    series = lfilter([0.6], [1.0, -0.8], noise, axis=1)[:, 60:]
    assert 200 * series.mean(axis=1).var() == pytest.approx(variance_inflation(0.8), rel=0.1)
    assert lag_one_correlation(series[:100].ravel()) == pytest.approx(0.8, abs=0.03)


def test_lag_one_correlation_leaves_gaps_out():
    series = lfilter([1.0], [1.0, -0.6], np.random.default_rng(7).standard_normal(5000))
    whole = lag_one_correlation(series)
    series[::5] = np.nan
    assert lag_one_correlation(series) == pytest.approx(whole, abs=0.05)
    assert lag_one_correlation(np.ones(10)) == 0.0
    assert lag_one_correlation(np.array([1.0, np.nan, 2.0])) == 0.0


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="one length"):
        theil_sen(np.zeros(3), np.zeros(4))
    with pytest.raises(ReadingsError, match="wanted 3 or more"):
        robust_line(np.zeros(5), np.arange(5.0))
    with pytest.raises(ReadingsError, match="between -1 and 1"):
        variance_inflation(1.0)
