"""The half-cycle tracker on signals whose period and amplitude are known."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from steadyhead.errors import ReadingsError
from steadyhead.stats.half_cycles import RING, STATE_SIZE, Rules, half_cycle_state, half_cycles


def sine(period, count=1000, amplitude=1.0, noise=0.0, seed=0):
    random = np.random.default_rng(seed)
    return amplitude * np.sin(2 * np.pi * np.arange(count) / period + 0.3) + noise * random.standard_normal(
        count
    )


@pytest.mark.parametrize("period", [60.0, 25.6, 12.3, 7.3])
def test_sine_gives_its_period_and_amplitude(period):
    # by hand: the period is given, peak to peak is 2; sampling misses the crest by at most pi^2/(2 n^2)
    answer = half_cycles(sine(period), Rules(band=0.05, floor=1.0))
    assert answer.count[-1] == RING
    assert 2 * answer.half_period[-1] == pytest.approx(period, rel=0.002)
    assert answer.peak_to_peak[-1] == pytest.approx(2.0, rel=0.05)


def test_count_rises_by_one_each_half_period():
    answer = half_cycles(sine(40.0, 400), Rules(band=0.05, floor=1.0))
    changes = np.flatnonzero(np.diff(answer.count)) + 1
    assert (np.diff(changes) == 20).all()
    assert answer.count[changes].tolist() == list(range(2, 2 + changes.size))


def test_noise_does_not_hide_a_regular_oscillation():
    answer = half_cycles(sine(25.6, 1024, noise=0.2), Rules(band=0.2, floor=1.0))
    assert answer.count[-1] >= 20
    assert 2 * answer.half_period[-1] == pytest.approx(25.6, rel=0.01)


@pytest.mark.parametrize("phi", [0.0, 0.5, 0.9, 0.98])
def test_noise_rarely_looks_regular_for_long(phi):
    z = lfilter([1.0], [1.0, -phi], np.random.default_rng(1).standard_normal(200_000))
    answer = half_cycles(z / z.std(), Rules(band=1.0, floor=1.0))
    assert np.mean(answer.count >= 10) < 0.015
    assert np.mean(answer.count >= 20) < 0.0005


def test_unequal_halves_still_are_regular():
    # by hand: up for 6, down for 18, so the cycle is 24 and the mean half 12
    z = np.tile(np.concatenate((np.full(6, 1.5), np.full(18, -0.5))), 30)
    answer = half_cycles(z, Rules(band=0.2, floor=1.0))
    assert answer.count[-1] == RING
    assert answer.half_period[-1] == pytest.approx(12.0, rel=1e-6)
    assert answer.peak_to_peak[-1] == pytest.approx(2.0)


def test_cycles_below_the_floor_do_not_count():
    assert half_cycles(sine(30.0, amplitude=0.45), Rules(band=0.05, floor=1.0)).count.max() == 0
    assert half_cycles(sine(30.0, amplitude=0.55), Rules(band=0.05, floor=1.0)).count.max() > 10


def test_irregular_swings_seldom_count_as_many():
    # halves of 3 to 60 samples: their standard deviation is 0.53 of the mean, r = 0.63 in Thornhill's measure
    random = np.random.default_rng(2)
    z = np.concatenate([sign * np.ones(random.integers(3, 60)) for sign in [1, -1] * 1000])
    answer = half_cycles(z, Rules(band=0.2, floor=1.0))
    assert np.mean(answer.count >= 10) < 0.08
    assert np.mean(answer.count >= 20) < 0.01


def test_the_end_of_an_oscillation_is_noticed():
    z = np.concatenate((sine(20.0, 400), np.full(200, 0.8)))
    answer = half_cycles(z, Rules(band=0.05, floor=1.0))
    assert answer.count[395] > 20
    assert answer.count[460] == 0  # by hand: two and a half half periods of 10 after the last crossing
    assert np.isnan(answer.half_period[-1])


def test_nothing_is_said_before_two_half_cycles_are_over():
    answer = half_cycles(sine(100.0, 140), Rules(band=0.05, floor=1.0))
    assert (answer.count[:140] == 0).all()


def test_short_gap_is_bridged_and_long_gap_starts_anew():
    z = sine(30.0, 400)
    z[200:203] = np.nan
    bridged = half_cycles(z, Rules(band=0.05, floor=1.0, max_missing=3))
    assert bridged.count[-1] > 20
    assert 2 * bridged.half_period[-1] == pytest.approx(30.0, rel=0.01)
    restarted = half_cycles(z, Rules(band=0.05, floor=1.0, max_missing=2))
    assert restarted.count[205] == 0
    assert restarted.count[-1] < bridged.count[-1]


@given(
    st.lists(st.one_of(st.floats(-3, 3), st.just(np.nan)), min_size=1, max_size=80),
    st.integers(0, 80),
    st.floats(0, 1),
)
def test_result_does_not_depend_on_how_the_series_is_cut(z, cut, band):
    z, rules = np.array(z), Rules(band=band, floor=0.5, max_spread=0.5)
    whole = half_cycles(z, rules)
    first = half_cycles(z[:cut], rules)
    second = half_cycles(z[cut:], rules, first.state)
    for name in ("count", "half_period", "peak_to_peak"):
        joined = np.concatenate((getattr(first, name), getattr(second, name)))
        np.testing.assert_array_equal(joined, getattr(whole, name))
    np.testing.assert_array_equal(second.state, whole.state)


@given(st.lists(st.floats(-3, 3), min_size=1, max_size=80))
def test_mirror_image_gives_the_same_answer(z):
    rules = Rules(band=0.1, floor=0.5)
    one, other = half_cycles(np.array(z), rules), half_cycles(-np.array(z), rules)
    np.testing.assert_array_equal(one.count, other.count)
    np.testing.assert_array_equal(one.half_period, other.half_period)


def test_all_missing_gives_no_answer():
    answer = half_cycles(np.full(50, np.nan), Rules(band=0.1, floor=1.0))
    assert answer.count.max() == 0
    assert np.isnan(answer.half_period).all()


def test_bad_state_gets_one_clear_line():
    assert half_cycle_state().shape == (STATE_SIZE,)
    with pytest.raises(ReadingsError, match="state shape"):
        half_cycles(np.zeros(3), Rules(0.1, 1.0), np.zeros(3))
