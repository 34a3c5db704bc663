"""EWMA against published run-length tables, a published series and a slow oracle kept here."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter
from scipy.stats import norm

from steadyhead.errors import ReadingsError
from steadyhead.stats.ewma import (
    ewma_chart,
    ewma_step,
    fixed_limit,
    two_sided_arl,
)

# Published: Lucas & Saccucci, Technometrics 32 (1990), Table 3 (two columns): weight, width, then
# (shift, average run length, rounding).
LUCAS_SACCUCCI = [
    (0.5, 3.071, [(0, 500, 0.5), (0.25, 255, 0.5), (0.5, 88.8, 0.05), (1, 17.5, 0.05),
                  (2, 3.63, 0.005), (3, 1.93, 0.005)]),
    (0.03, 2.437, [(0, 500, 0.5), (0.25, 76.7, 0.05), (0.5, 29.3, 0.05), (1, 12.6, 0.05),
                   (2, 5.99, 0.005), (3, 4.03, 0.005)]),
]  # fmt: skip


@pytest.mark.parametrize(("weight", "width", "rows"), LUCAS_SACCUCCI)
def test_run_lengths_are_those_of_lucas_and_saccucci(weight, width, rows):
    for shift, published, rounding in rows:
        assert two_sided_arl(width, weight, shift) == pytest.approx(published, abs=1.01 * rounding)


def test_run_length_is_that_of_a_statistics_manual_to_ten_figures():
    # Published: SAS/QC manual, weight 0.25, width 3, shift 1.
    assert two_sided_arl(3.0, 0.25, 1.0) == pytest.approx(11.154267016, rel=1e-10)


# Published: Crowder, Technometrics 29 (1987), width 2.
@pytest.mark.parametrize(
    ("weight", "shift", "published"),
    [
        (0.5, 0, 26.45),
        (0.5, 0.5, 11.89),
        (0.5, 1, 4.91),
        (0.05, 0, 127.53),
        (0.05, 0.5, 18.97),
        (0.05, 1, 8.38),
    ],
)
def test_run_lengths_are_those_of_crowder(weight, shift, published):
    assert two_sided_arl(2.0, weight, shift) == pytest.approx(published, abs=0.0051)


def test_weight_one_is_a_shewhart_chart():
    # By hand: 1 / (2 Phi(-3)) and 1 / (Phi(-2) + Phi(-4)).
    assert two_sided_arl(3.0, 1.0) == pytest.approx(1.0 / (2.0 * norm.sf(3.0)), rel=1e-9)
    assert two_sided_arl(3.0, 1.0, 1.0) == pytest.approx(1.0 / (norm.sf(2.0) + norm.sf(4.0)), rel=1e-9)


# Independent: Gauss-Legendre solutions kept with the reference figures (Lucas & Saccucci print 500 for each).
@pytest.mark.parametrize(("weight", "width"), [(0.1, 2.814), (0.2, 2.962), (0.05, 2.615)])
def test_usual_widths_give_500_samples(weight, width):
    assert two_sided_arl(width, weight) == pytest.approx(500.0, rel=0.003)


def markov_chain_arl(width, weight, shift, states):
    """Independent oracle: levels lumped into ``states`` cells between the limits (odd number)."""
    limit = width * np.sqrt(weight / (2 - weight))
    edges = np.linspace(-limit, limit, states + 1)
    middles = 0.5 * (edges[1:] + edges[:-1])
    reach = (edges[None, :] - (1 - weight) * middles[:, None]) / weight - shift
    moves = np.diff(norm.cdf(reach), axis=1)
    return np.linalg.solve(np.eye(states) - moves, np.ones(states))[states // 2]


@pytest.mark.parametrize(
    ("width", "weight", "shift"), [(2.814, 0.1, 0.0), (2.962, 0.2, 0.5), (2.615, 0.05, 1.0)]
)
def test_run_length_agrees_with_a_markov_chain(width, weight, shift):
    assert two_sided_arl(width, weight, shift) == pytest.approx(
        markov_chain_arl(width, weight, shift, 301), rel=2e-3
    )


MONTGOMERY_SERIES = np.array([
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
    9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
])  # fmt: skip
# Published: Montgomery, Introduction to Statistical Quality Control, Table 9.1


def test_worked_series_leaves_its_limits_at_samples_29_and_30():
    # Published example: weight 0.1, width 2.7. By hand: z1 = 10 - 0.055. Limits after i samples, Montgomery:
    # L sqrt(weight / (2 - weight) (1 - (1 - weight)^(2i))), 0.27 at first and 0.619 when settled
    level = ewma_chart(MONTGOMERY_SERIES, 0.1, level=10.0)
    shrinking = np.sqrt(1.0 - 0.9 ** (2.0 * np.arange(1, 31)))
    upper = 10.0 + fixed_limit(2.7, 0.1) * shrinking
    np.testing.assert_allclose(level[:3], [9.945, 9.7495, 9.70355], atol=1e-9)
    np.testing.assert_allclose(level[27:], [10.5731, 10.6468, 10.6341], atol=5e-5)
    np.testing.assert_allclose(upper[:3], [10.270, 10.363, 10.424], atol=5e-4)
    assert upper[-1] == pytest.approx(10.619, abs=5e-4)
    assert (np.flatnonzero(np.abs(level - 10.0) > upper - 10.0) + 1).tolist() == [29, 30]


def test_limit_of_three_at_a_fifth_is_one():
    assert fixed_limit(3.0, 0.2) == pytest.approx(1.0)  # by hand: 3 sqrt(0.2 / 1.8)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=60), st.floats(0.01, 1.0))
def test_recursion_is_a_first_order_filter(z, weight):
    # Independent: scipy.signal.lfilter
    expected = lfilter([weight], [1.0, weight - 1.0], z)
    np.testing.assert_allclose(ewma_chart(np.array(z), weight), expected, atol=1e-9)


@given(st.lists(st.one_of(st.floats(-5, 5), st.just(np.nan)), min_size=2, max_size=40), st.integers(1, 39))
def test_result_does_not_depend_on_how_the_series_is_cut(z, cut):
    z = np.array(z)
    cut = min(cut, z.size - 1)
    first = ewma_chart(z[:cut], 0.2)
    second = ewma_chart(z[cut:], 0.2, first[-1])
    np.testing.assert_array_equal(np.concatenate((first, second)), ewma_chart(z, 0.2))


def test_missing_sample_holds_the_level():
    assert ewma_step(3.0, np.nan, 0.2) == 3.0


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="weight is 0"):
        ewma_chart(np.zeros(3), 0.0)
    with pytest.raises(ReadingsError, match="dimensions"):
        ewma_chart(np.zeros((3, 2)), 0.5)
    with pytest.raises(ReadingsError, match="width is 0"):
        two_sided_arl(0.0, 0.5)
