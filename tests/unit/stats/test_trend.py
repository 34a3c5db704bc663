"""Trend test and slope against enumeration, scipy, pymannkendall, and the Nile series."""

import itertools

import numpy as np
import pymannkendall
import pytest
from statsmodels.datasets import nile

from steadyhead.errors import ReadingsError
from steadyhead.stats.robust import theil_sen
from steadyhead.stats.trend import mann_kendall

TEN = np.array([2.1, 2.4, 2.2, 2.9, 3.1, 2.8, 3.4, 3.3, 3.9, 4.0])


@pytest.fixture(scope="module")
def nile_flow():
    """Annual flow at Aswan 1871-1970 [1e8 m3]; level break after 1898."""
    return nile.load_pandas().data["volume"].to_numpy(float)


def exact_tail(n, s):
    """One-sided chance of a sum of signs of ``s`` or more, by counting permutations (Kendall's recursion)."""
    counts = np.array([1.0])
    for size in range(2, n + 1):
        counts = np.convolve(counts, np.ones(size))
    values = n * (n - 1) // 2 - 2 * np.arange(counts.size)  # by number of inversions
    return counts[values >= s].sum() / counts.sum()


def test_counting_oracle_is_right_for_five_samples():
    sums = [
        sum(int(np.sign(b - a)) for a, b in itertools.combinations(order, 2))
        for order in itertools.permutations(range(5))
    ]
    for s in (4, 6, 8, 10):
        assert exact_tail(5, s) == pytest.approx(np.mean(np.array(sums) >= s))


# Independent: enumeration; smallest S with a one-sided chance of at most 5 %, and that chance
@pytest.mark.parametrize(
    ("n", "s", "tail"),
    [(4, 6, 0.0417), (5, 8, 0.0417), (6, 11, 0.0278), (8, 16, 0.0305), (10, 21, 0.0363), (12, 26, 0.0432),
     (20, 52, 0.0492)],
)  # fmt: skip
def test_exact_chances_are_those_of_the_table(n, s, tail):
    assert exact_tail(n, s) == pytest.approx(tail, abs=5e-5)
    assert exact_tail(n, s - 2) > 0.05
    y = np.arange(n, dtype=float)
    random = np.random.default_rng(n)
    for _ in range(10_000):  # swap neighbours, each of which changes S by 2, until S is the wanted one
        found = mann_kendall(y)
        if found.s == s:
            break
        i = random.integers(n - 1)
        if (y[i] < y[i + 1]) == (found.s > s):
            y[i], y[i + 1] = y[i + 1], y[i]
    assert found.s == s
    assert found.exact
    assert found.chance == pytest.approx(2 * exact_tail(n, s), rel=1e-9)


def test_worked_series_of_ten():
    # by hand: S = 41 - 4 = 37, Var S = 125, z = 36 / sqrt(125) = 3.21994
    # Independent: scipy.stats.kendalltau(method="exact") 0.00035769
    found = mann_kendall(TEN)
    assert found.s == 37
    assert found.z == pytest.approx(3.21994, abs=5e-6)
    assert found.chance == pytest.approx(0.00035769, abs=5e-9)


def test_rising_series_has_the_largest_sum():
    # Independent: pymannkendall 1.4.3: S 45, z 3.93548
    found = mann_kendall(np.arange(1.0, 11.0))
    assert found.s == 45
    assert found.z == pytest.approx(3.93548, abs=5e-6)


@pytest.mark.parametrize("seed", range(5))
def test_normal_approximation_with_ties_is_that_of_pymannkendall(seed):
    y = np.round(np.random.default_rng(seed).normal(0, 2, 120) + 0.01 * np.arange(120))
    found, other = mann_kendall(y), pymannkendall.original_test(y)
    assert not found.exact
    assert found.s == other.s
    assert found.z == pytest.approx(other.z, rel=1e-9)
    assert found.chance == pytest.approx(other.p, rel=1e-9)


def test_nile_falls(nile_flow):
    # Independent: z -4.12807 (pymannkendall), slope -2.6 (-3.628, -1.429) (scipy), at every sample in order
    assert mann_kendall(nile_flow).z == pytest.approx(-4.12807, abs=5e-6)
    line = theil_sen(np.arange(100.0), nile_flow)
    assert line.slope == pytest.approx(-2.6, abs=1e-9)
    assert (line.slope_low, line.slope_high) == pytest.approx((-3.628, -1.429), abs=5e-4)


def test_too_little_is_refused():
    with pytest.raises(ReadingsError, match="Mann-Kendall wants 4"):
        mann_kendall(np.array([1.0, 2.0, np.nan]))
