"""CUSUM against published run-length tables, published series and slow oracles kept here."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from steadyhead.errors import ReadingsError
from steadyhead.stats.cusum import (
    cusum_chart,
    cusum_step,
    one_sided_arl,
    threshold_for_arl,
    two_sided_arl,
)

# Published: Lucas & Crosier, Technometrics 24 (1982), Table 1: two-sided, k = 0.5, h = 4, from zero,
# independent normal samples. (shift, average run length, half a unit of the last printed digit)
LUCAS_CROSIER_H4 = [
    (0.0, 168, 0.5),
    (0.25, 74.2, 0.05),
    (0.5, 26.6, 0.05),
    (0.75, 13.3, 0.05),
    (1.0, 8.38, 0.005),
    (1.5, 4.75, 0.005),
    (2.0, 3.34, 0.005),
    (3.0, 2.19, 0.005),
    (4.0, 1.71, 0.005),
]
# Published: Montgomery, Introduction to Statistical Quality Control, CUSUM chapter: as above, h = 5.
# From memory: the printed digits. Independent: the Markov chain below.
MONTGOMERY_H5 = [(0.0, 465, 0.5), (0.25, 139, 0.5), (0.5, 38.0, 0.05), (1.0, 10.4, 0.05), (2.0, 4.01, 0.005)]


@pytest.mark.parametrize(("shift", "published", "rounding"), LUCAS_CROSIER_H4)
def test_two_sided_run_length_at_threshold_4_is_the_published_one(shift, published, rounding):
    assert two_sided_arl(4.0, 0.5, shift) == pytest.approx(published, abs=1.01 * rounding)


@pytest.mark.parametrize(("shift", "published", "rounding"), MONTGOMERY_H5)
def test_two_sided_run_length_at_threshold_5_is_the_published_one(shift, published, rounding):
    assert two_sided_arl(5.0, 0.5, shift) == pytest.approx(published, abs=1.01 * rounding)


# Published: Brook & Evans, Biometrika 59 (1972): one-sided, k = 0.5, h = 3 (their Markov chain; 117.59).
# Published: Vance, J. Quality Technology 18 (1986): one-sided, k = 0, h = 10.
# Published: SAS/QC manual: one-sided, k = 0.25, h = 8, shift 2.5; finer quadrature gives 4.1500837261.
ONE_SIDED = [
    (3.0, 0.5, 0.0, 117.59, 0.01),
    (3.0, 0.5, 1.5, 3.75, 0.005),
    (10.0, 0.0, -0.25, 2071.51, 0.1),
    (10.0, 0.0, -0.125, 400.28, 0.01),
    (10.0, 0.0, 0.0, 124.66, 0.01),
    (10.0, 0.0, 0.125, 59.30, 0.01),
    (10.0, 0.0, 0.25, 36.71, 0.01),
    (10.0, 0.0, 0.5, 20.37, 0.01),
    (10.0, 0.0, 0.75, 14.06, 0.01),
    (10.0, 0.0, 1.0, 10.75, 0.01),
    (8.0, 0.25, 2.5, 4.1500836225, 2e-7),
]


@pytest.mark.parametrize(("threshold", "allowance", "shift", "published", "rounding"), ONE_SIDED)
def test_one_sided_run_length_is_the_published_one(threshold, allowance, shift, published, rounding):
    assert one_sided_arl(threshold, allowance, shift) == pytest.approx(published, abs=rounding)


def markov_chain_arl(threshold, allowance, shift, states):
    """Independent oracle: Brook & Evans' chain; its error falls with the square of the number of states."""
    width = 2.0 * threshold / (2 * states - 1)
    middles = width * np.arange(states)
    edges = middles + 0.5 * width
    below = norm.cdf(edges[None, :] - middles[:, None] + allowance - shift)
    moves = np.diff(below, axis=1, prepend=0.0)
    return np.linalg.solve(np.eye(states) - moves, np.ones(states))[0]


@pytest.mark.parametrize(
    ("threshold", "allowance", "shift"), [(4, 0.5, 0), (5, 0.5, 1), (8, 0.25, 0), (2, 1, 0.5)]
)
def test_run_length_agrees_with_a_markov_chain(threshold, allowance, shift):
    coarse, fine = (markov_chain_arl(threshold, allowance, shift, n) for n in (100, 200))
    extrapolated = fine + (fine - coarse) / 3.0  # Richardson
    assert one_sided_arl(threshold, allowance, shift) == pytest.approx(extrapolated, rel=2e-4)


def test_run_length_agrees_with_siegmunds_approximation():
    # Independent: Siegmund 1985, (exp(-2Db) + 2Db - 1)/(2 D^2), D = shift - k, b = h + 1.166; good to 1 %.
    def siegmund(shift):
        d, b = shift - 0.5, 5.0 + 1.166
        return (np.exp(-2 * d * b) + 2 * d * b - 1) / (2 * d * d)

    for shift in (0.0, 0.25, 0.75, 1.0):
        assert one_sided_arl(5.0, 0.5, shift) == pytest.approx(siegmund(shift), rel=0.01)


# Independent: R. Hawkins' table for a two-sided run length of 370, from memory to two decimals.
@pytest.mark.parametrize(
    ("allowance", "remembered"), [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99)]
)
def test_threshold_for_370_samples_is_the_one_in_the_table(allowance, remembered):
    threshold = threshold_for_arl(370.0, allowance)
    assert threshold == pytest.approx(remembered, abs=0.006)
    assert two_sided_arl(threshold, allowance) == pytest.approx(370.0, rel=1e-8)


# Published: Montgomery, Table 9.1: 30 values, target 10, standard deviation 1.
MONTGOMERY_SERIES = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
])  # fmt: skip


def test_worked_series_gives_the_published_sums():
    chart = cusum_chart(MONTGOMERY_SERIES - 10.0, 0.5)
    upper = {4: 1.16, 5: 2.82, 22: 0.0, 23: 1.79, 26: 3.47, 29: 5.28, 30: 5.30}  # published
    lower = {2: 1.56, 3: 1.77}  # by hand: 0.05 + 2.01 - 0.5, then + 0.71 - 0.5
    for i, value in upper.items():
        assert chart.high[i - 1] == pytest.approx(value, abs=1e-9)
    for i, value in lower.items():
        assert chart.low[i - 1] == pytest.approx(value, abs=1e-9)
    assert np.flatnonzero(chart.high > 5.0)[0] == 28  # signal at sample 29
    assert chart.high_count[28] == 7  # published: seven samples since the sum was zero
    new_mean = 10.0 + 0.5 + chart.high[28] / chart.high_count[28]
    assert new_mean == pytest.approx(11.25, abs=0.005)  # published estimate of the new mean


def cusum_by_definition(z, allowance):
    """Oracle: the sum is the walk minus its lowest point so far, not a recursion."""
    walk = np.concatenate(([0.0], np.cumsum(z - allowance)))
    return (walk - np.minimum.accumulate(walk))[1:]


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=60), st.floats(0, 1.5))
def test_recursion_equals_walk_above_its_lowest_point(z, allowance):
    z = np.array(z)
    chart = cusum_chart(z, allowance)
    np.testing.assert_allclose(chart.high, cusum_by_definition(z, allowance), atol=1e-9)
    np.testing.assert_allclose(chart.low, cusum_by_definition(-z, allowance), atol=1e-9)


@given(st.lists(st.one_of(st.floats(-5, 5), st.just(np.nan)), min_size=1, max_size=40), st.integers(0, 40))
def test_result_does_not_depend_on_how_the_series_is_cut(z, cut):
    z = np.array(z)
    whole = cusum_chart(z, 0.5)
    first = cusum_chart(z[:cut], 0.5)
    second = cusum_chart(z[cut:], 0.5, first.state)
    for name in ("high", "low", "high_count", "low_count"):
        joined = np.concatenate((getattr(first, name), getattr(second, name)))
        np.testing.assert_array_equal(joined, getattr(whole, name))
    np.testing.assert_array_equal(second.state, whole.state)


def test_missing_sample_holds_the_sums():
    assert cusum_step(2.0, 0.5, np.nan, 0.5) == (2.0, 0.5)
    chart = cusum_chart(np.array([2.0, np.nan, 1.0]), 0.5)
    np.testing.assert_allclose(chart.high, [1.5, 1.5, 2.0])
    assert chart.high_count.tolist() == [1, 1, 2]


def test_the_state_given_is_not_changed():
    state = np.array([1.0, 0.0, 3.0, 0.0])
    cusum_chart(np.ones(3), 0.5, state)
    assert state.tolist() == [1.0, 0.0, 3.0, 0.0]


def test_no_detector_beats_lordens_order_by_much():
    # Lorden 1971: the worst-case delay is about log(ARL0) / KL, KL = d^2 / 2, asymptotically: an order of
    # magnitude. By hand for ARL0 465.4: 49.1, 12.3, 3.07 samples at shifts 0.5, 1, 2.
    for shift, order in ((0.5, 49.1), (1.0, 12.3), (2.0, 3.07)):
        assert np.log(465.4) / (shift**2 / 2) == pytest.approx(order, rel=0.01)
        assert 0.5 * order < two_sided_arl(5.0, 0.5, shift) < 2.0 * order


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="allowance is -1"):
        cusum_chart(np.zeros(3), -1.0)
    with pytest.raises(ReadingsError, match="2 dimensions"):
        cusum_chart(np.zeros((3, 2)), 0.5)
    with pytest.raises(ReadingsError, match="state has shape"):
        cusum_chart(np.zeros(3), 0.5, np.zeros(2))
    with pytest.raises(ReadingsError, match="threshold is 0"):
        one_sided_arl(0.0, 0.5)
    with pytest.raises(ReadingsError, match=r"average run length of 1\.0"):
        threshold_for_arl(1.0, 0.5)
