"""Trend tests and levels against enumeration, scipy, pymannkendall, and the Nile series."""

import itertools

import numpy as np
import pymannkendall
import pytest
from scipy import stats
from scipy.signal import lfilter
from statsmodels.datasets import nile

from steadyhead.errors import ReadingsError
from steadyhead.stats.robust import theil_sen
from steadyhead.stats.trend import block_theil_sen, kpss_test, mann_kendall, state_space_level

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


def test_nile_is_not_stationary(nile_flow):
    # Published limits (Kwiatkowski et al. 1992, Table 1): 5 % 0.463, 2.5 % 0.574.
    # Independent: 0.5497 with 12 lags
    found = kpss_test(nile_flow, lags=12)
    assert found.statistic == pytest.approx(0.5497, abs=5e-5)
    assert 0.025 < found.chance < 0.05
    about_line = kpss_test(np.random.default_rng(1).standard_normal(200) + np.arange(200.0), "trend")
    assert about_line.chance == pytest.approx(0.1)


def test_nile_level_has_the_published_variances(nile_flow):
    # Durbin & Koopman, local-level fit of the Nile: 15 099 and 1 469.1 (digits from memory).
    found = state_space_level(nile_flow)
    assert found.noise_variance == pytest.approx(15_099, rel=0.01)
    assert found.level_variance == pytest.approx(1_469.1, rel=0.02)
    assert found.level_low < found.level < found.level_high
    assert found.path[-1] == found.level
    assert (found.trend, found.trend_low, found.trend_high) == (0.0, 0.0, 0.0)
    # by hand: the settled gain K solves K^2 + qK - q = 0, q = var level / var noise; the filtered variance is
    # K times the noise variance
    q = found.level_variance / found.noise_variance
    gain = (-q + np.sqrt(q * q + 4 * q)) / 2
    half_width = 1.959964 * np.sqrt(gain * found.noise_variance)
    assert found.level_high - found.level == pytest.approx(half_width, rel=1e-3)


def test_level_with_trend_holds_the_true_slope():
    random = np.random.default_rng(2)
    y = 400.0 - 0.5 * np.arange(200.0) + random.normal(0, 3, 200)
    y[50:60] = np.nan
    found = state_space_level(y, "local linear trend")
    assert found.trend_low < -0.5 < found.trend_high
    assert found.trend_high < -0.2
    assert found.level == pytest.approx(400.0 - 0.5 * 199, abs=3)


def test_slope_interval_by_blocks_holds_for_correlated_samples():
    # Independent: 100 AR(1) series with phi 0.9 and no trend; the plain interval should hold zero in 95 and
    # holds it in far fewer
    random = np.random.default_rng(3)
    x = np.arange(600.0)
    plain = blocked = 0
    for _ in range(100):
        y = lfilter([1.0], [1.0, -0.9], random.standard_normal(600))
        by_sample, by_block = stats.theilslopes(y, x), block_theil_sen(x, y, 40)
        plain += by_sample.low_slope <= 0.0 <= by_sample.high_slope
        blocked += by_block.slope_low <= 0.0 <= by_block.slope_high
    assert plain < 60
    assert blocked >= 87


def test_blocks_find_a_slope_through_gaps():
    x = np.arange(500.0)
    y = 0.3 * x + np.random.default_rng(4).normal(0, 2, 500)
    y[100:160] = np.nan
    line = block_theil_sen(x, y, 50)
    assert line.slope == pytest.approx(0.3, abs=0.01)
    assert line.slope_low < 0.3 < line.slope_high


def test_too_little_is_refused():
    with pytest.raises(ReadingsError, match="Mann-Kendall wants 4"):
        mann_kendall(np.array([1.0, 2.0, np.nan]))
    with pytest.raises(ReadingsError, match="blocks of 50"):
        block_theil_sen(np.arange(150.0), np.arange(150.0), 50)
    with pytest.raises(ReadingsError, match="block is 0"):
        block_theil_sen(np.arange(150.0), np.arange(150.0), 0)
    with pytest.raises(ReadingsError, match="to fit a level"):
        state_space_level(np.ones(50))
    with pytest.raises(ReadingsError, match="KPSS wants 10"):
        kpss_test(np.ones(5))
