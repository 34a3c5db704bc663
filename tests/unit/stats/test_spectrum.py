"""Periodograms, regularity and sampling limits against astropy, statsmodels and hand work."""

import itertools
import math

import numpy as np
import pytest
from astropy.timeseries import LombScargle
from scipy.optimize import brentq
from scipy.signal import lfilter, periodogram
from statsmodels.datasets import sunspots

from steadyhead.errors import ReadingsError
from steadyhead.stats.spectrum import (
    OSCILLATORY_INDEX,
    REGULAR_RATIO,
    apparent_period,
    autocorrelation,
    averaging_attenuation,
    false_peak_chance,
    fisher_g,
    fisher_g_chance,
    frequency_grid,
    half_wave_integral_of_sine,
    half_wave_integrals,
    lomb_scargle,
    oscillation_index,
    regularity,
    shortest_resolvable_period,
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
    g, chance = fisher_g(power[1 : (spots.size + 1) // 2])
    assert g > 0.13
    assert chance < 1e-9


# Independent: the exact alternating sum in long arithmetic, 5 % points. By hand for the first term alone:
# m (1 - g)^(m - 1) = 10 * 0.55505^9 = 0.0500.
@pytest.mark.parametrize(("ordinates", "critical"), [(10, 0.44495), (20, 0.27040), (50, 0.13135)])
def test_fisher_g_has_its_five_percent_points(ordinates, critical):
    assert fisher_g_chance(critical, ordinates) == pytest.approx(0.05, abs=5e-5)


def test_fisher_g_of_white_noise_is_as_often_significant_as_said():
    random = np.random.default_rng(4)
    ordinates = random.exponential(size=(2000, 40))
    significant = [fisher_g(row)[1] < 0.05 for row in ordinates]
    assert np.mean(significant) == pytest.approx(0.05, abs=0.015)  # 3 standard errors


def test_fisher_g_chance_runs_from_one_to_zero():
    # by hand: with two ordinates the larger share is uniform on 1/2 to 1
    assert fisher_g_chance(0.75, 2) == pytest.approx(0.5)
    chances = [fisher_g_chance(g, 100) for g in np.linspace(0.005, 1.0, 60)]
    assert chances[0] == 1.0
    assert chances[-1] == 0.0
    assert (np.diff(chances) <= 1e-12).all()


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


# Independent: rho^lag cos(2 pi lag / 20), worked out beforehand. Formula from memory (Miao & Seborg 1999).
@pytest.mark.parametrize(("rho", "index"), [(1.0, 1.0), (0.99, 0.904), (0.98, 0.817), (0.95, 0.591)])
def test_oscillation_index_falls_with_damping(rho, index):
    lags = np.arange(60)
    assert oscillation_index(rho**lags * np.cos(2 * np.pi * lags / 20)) == pytest.approx(index, abs=0.002)


def test_index_of_one_half_is_quarter_amplitude_damping():
    # by hand: damping ratio 0.2155 leaves exp(-2 pi 0.2155 / sqrt(1 - 0.2155^2)) = 0.25 after a period
    zeta = 0.2155
    decay = 2 * np.pi * zeta / math.sqrt(1 - zeta**2)
    assert math.exp(-decay) == pytest.approx(0.25, abs=5e-4)
    lags = np.arange(1000)
    correlation = np.exp(-decay * lags / 200) * np.cos(2 * np.pi * lags / 200)
    assert oscillation_index(correlation) == pytest.approx(OSCILLATORY_INDEX, abs=0.01)


def test_series_that_does_not_oscillate_has_index_zero():
    assert oscillation_index(0.9 ** np.arange(50)) == 0.0


def test_half_wave_integral_is_amplitude_times_period_over_pi():
    # by hand (Hägglund 1995): 2 a / omega = a P / pi; a 1, P 20 gives 6.36620
    assert half_wave_integral_of_sine(1.0, 20.0) == pytest.approx(6.36620, abs=5e-6)
    z = 3.0 * np.sin(2 * np.pi * np.arange(0, 200, 0.1) / 20 + 0.4)
    areas, lengths = half_wave_integrals(z, 0.1)
    np.testing.assert_allclose(areas, half_wave_integral_of_sine(3.0, 20.0), rtol=1e-4)
    np.testing.assert_allclose(lengths, 10.0, rtol=1e-3)
    # by hand: crossings at 0.25, 2.75 and 4.5; areas 1.125 + 3 + 1.125 and 0.125 + 1.5 + 0.5
    areas, lengths = half_wave_integrals(np.array([-1.0, 3.0, 3.0, -1.0, -2.0, 2.0]), 1.0)
    np.testing.assert_allclose(lengths, [2.5, 1.75])
    np.testing.assert_allclose(areas, [5.25, 2.125])
    assert half_wave_integrals(np.ones(5), 1.0)[0].size == 0


# by hand: 1 / |1/P - k/dt| for the nearest whole k
@pytest.mark.parametrize(
    ("period", "step", "seems"),
    [(40, 60, 120), (55, 60, 660), (61, 60, 3660), (90, 60, 180), (25, 15, 37.5), (20, 15, 60), (7, 5, 17.5)],
)
def test_sampling_too_slowly_shows_another_period(period, step, seems):
    assert apparent_period(period, step) == pytest.approx(seems)
    assert shortest_resolvable_period(step) == 2 * step
    # Independent: the peak of astropy's periodogram of such samples
    times = np.arange(400) * float(step)
    frequency, power = LombScargle(times, np.sin(2 * np.pi * times / period + 0.7)).autopower(
        minimum_frequency=1e-4, maximum_frequency=0.499 / step, samples_per_peak=20
    )
    assert 1.0 / frequency[power.argmax()] == pytest.approx(seems, rel=0.01)


def test_period_of_one_step_seems_to_stand_still():
    assert apparent_period(60, 60) == math.inf
    assert apparent_period(1000, 60) == pytest.approx(1000)  # slow enough: as it is


# by hand: |sin(pi x) / (pi x)|, x = interval / period
@pytest.mark.parametrize(
    ("period", "interval", "left"),
    [(60, 15, 0.900), (120, 60, 0.637), (60, 60, 0.0), (300, 60, 0.935), (1200, 900, 0.300)],
)
def test_averaging_takes_amplitude_away(period, interval, left):
    assert averaging_attenuation(period, interval) == pytest.approx(left, abs=5e-4)
    # Independent: averaging a finely sampled sine
    fine = np.exp(2j * np.pi * (np.arange(interval * 100) + 0.5) / (100 * period))
    assert abs(fine.mean()) == pytest.approx(left, abs=5e-4)


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="longer span"):
        frequency_grid(np.array([1.0]), 1.0)
    with pytest.raises(ReadingsError, match="some variation"):
        lomb_scargle(np.arange(5.0), np.ones(5), np.array([0.1]))
    with pytest.raises(ReadingsError, match="no frequency"):
        strongest_period(np.arange(50.0), np.sin(np.arange(50.0)), 0.2, 0.5)
    with pytest.raises(ReadingsError, match="not all zero"):
        fisher_g(np.zeros(5))
    with pytest.raises(ReadingsError, match="up to lag 10"):
        autocorrelation(np.ones(5), 10)
    with pytest.raises(ReadingsError, match="more than 0"):
        apparent_period(0.0, 60.0)
    with pytest.raises(ReadingsError, match="wanted more than 0"):
        averaging_attenuation(0.0, 60.0)
