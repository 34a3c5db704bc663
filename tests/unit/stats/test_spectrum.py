"""Periodograms and regularity against astropy, scipy, statsmodels and hand work."""

import itertools

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from scipy.optimize import brentq
from scipy.signal import lfilter, periodogram
from statsmodels.datasets import sunspots

from steadyhead.errors import ReadingsError
from steadyhead.stats.spectrum import (
    REGULAR_RATIO,
    autocorrelation,
    false_peak_chance,
    frequency_grid,
    lomb_scargle,
    regularity,
    strongest_period,
)


@pytest.fixture(scope="module")
def uneven_sine():
    random = np.random.default_rng(42)
    times = np.sort(random.uniform(0, 100, 60))
    return times, np.sin(2 * np.pi * times / 7.3) + random.standard_normal(60)


def test_periodogram_of_uneven_samples_is_that_of_astropy(uneven_sine):
    times, values = uneven_sine
    frequency, power = LombScargle(times, values).autopower(maximum_frequency=1.0)
    np.testing.assert_allclose(frequency_grid(times, 1.0), frequency, rtol=1e-12)
    np.testing.assert_allclose(lomb_scargle(times, values, frequency), power, rtol=1e-7, atol=1e-9)


def test_period_and_false_peak_chance_are_those_of_astropy(uneven_sine):
    times, values = uneven_sine
    grid = frequency_grid(times, 1.0)
    power = lomb_scargle(times, values, grid)
    assert power.max() == pytest.approx(0.410319, abs=5e-7)  # independent: astropy 8.0.2
    assert 1.0 / grid[power.argmax()] == pytest.approx(7.28015, abs=5e-6)
    # Baluev 2008, MNRAS 385, 1279
    assert false_peak_chance(power.max(), times, grid[-1]) == pytest.approx(1.29758e-4, rel=1e-5)
    peak = strongest_period(times, values, 1.0)  # on a finer grid, so a little higher
    assert 0.410319 <= peak.power < 0.42
    assert peak.period == pytest.approx(7.28, abs=0.1)
    astropy_chance = LombScargle(times, values).false_alarm_probability(
        peak.power, method="baluev", maximum_frequency=1.0
    )
    assert peak.chance == pytest.approx(float(astropy_chance), rel=1e-9)


def test_one_percent_level_is_that_of_astropy(uneven_sine):
    times, _ = uneven_sine
    highest = frequency_grid(times, 1.0)[-1]
    level = brentq(lambda power: false_peak_chance(power, times, highest) - 0.01, 0.05, 0.9)
    assert level == pytest.approx(0.307682, abs=1e-6)  # independent: astropy 8.0.2


def test_false_peaks_come_as_often_as_said():
    # Independent: 300 series of white noise; 5 % of them are 15 +- 3.8
    random = np.random.default_rng(3)
    times = np.sort(random.uniform(0, 100, 50))
    chances = [strongest_period(times, random.standard_normal(50), 0.25).chance for _ in range(300)]
    assert 4 <= np.count_nonzero(np.array(chances) < 0.05) <= 26


def test_sunspots_have_their_eleven_years():
    # Published: a cycle of about 11 years; independent: astropy gives 11.016, scipy's periodogram 11.036
    data = sunspots.load_pandas().data
    years, spots = data["YEAR"].to_numpy(float), data["SUNACTIVITY"].to_numpy(float)
    assert strongest_period(years, spots, 0.5, 0.02).period == pytest.approx(11.016, abs=0.05)
    frequency, power = periodogram(spots, detrend="constant")
    assert 1.0 / frequency[np.argmax(power)] == pytest.approx(11.036, abs=0.001)


def correlation_with_crossings(*places):
    """Straight lines that cross zero at the given places, from 1 at lag 0."""
    corners = [0.0, *[0.5 * (a + b) for a, b in itertools.pairwise(places)], places[-1] + 5.0]
    heights = [(-1.0) ** i * 0.5 for i in range(len(corners))]
    crossings = sorted([*corners, *places])
    values = [0.0 if at in places else heights[corners.index(at)] for at in crossings]
    return np.interp(np.arange(places[-1] + 5), crossings, values)


def test_regularity_of_known_crossings():
    # by hand: gaps 10, 11, 9: mean 10, standard deviation 1, so period 20, spread 2, r = 20 / 6
    found = regularity(correlation_with_crossings(5.0, 15.0, 26.0, 35.0))
    assert found is not None
    assert found.intervals == 3
    assert found.period == pytest.approx(20.0, rel=1e-6)
    assert found.spread == pytest.approx(2.0, rel=1e-6)
    assert found.ratio == pytest.approx(20.0 / 6.0, rel=1e-6)


@pytest.mark.parametrize("noise", [0.0, 0.5, 1.0])
def test_noisy_sine_is_regular_in_thornhills_sense(noise):
    # by hand: the period is 25.6. Criterion from memory: r above 1
    random = np.random.default_rng(1)
    z = np.sin(2 * np.pi * np.arange(1024) / 25.6) + noise * random.standard_normal(1024)
    found = regularity(autocorrelation(z, 400))
    assert found is not None
    assert found.period == pytest.approx(25.6, rel=0.005)
    assert found.ratio > 10.0


def test_white_and_red_noise_are_seldom_regular():
    # Independent: r > 1 in 1.8 % of white series, 0.6 % of AR(1) 0.8, by 500 runs each; here 200, +- 2 %
    random = np.random.default_rng(5)
    for phi in (0.0, 0.8):
        regular = 0
        for _ in range(200):
            found = regularity(autocorrelation(lfilter([1], [1, -phi], random.standard_normal(1024)), 400))
            regular += found is not None and found.ratio > REGULAR_RATIO
        assert regular / 200 < 0.05


def test_autocorrelation_leaves_missing_samples_out():
    z = np.sin(2 * np.pi * np.arange(600) / 20)
    whole = autocorrelation(z, 40)
    z[::11] = np.nan
    np.testing.assert_allclose(autocorrelation(z, 40), whole, atol=0.1)
    assert whole[0] == pytest.approx(1.0)
    assert regularity(np.linspace(1, 0.1, 50)) is None


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="longer span"):
        frequency_grid(np.array([1.0]), 1.0)
    with pytest.raises(ReadingsError, match="some variation"):
        lomb_scargle(np.arange(5.0), np.ones(5), np.array([0.1]))
    with pytest.raises(ReadingsError, match="no frequency"):
        strongest_period(np.arange(50.0), np.sin(np.arange(50.0)), 0.2, 0.5)
    with pytest.raises(ReadingsError, match="up to lag 10"):
        autocorrelation(np.ones(5), 10)
