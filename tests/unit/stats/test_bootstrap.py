"""Block-bootstrap thresholds: the textbook's on independent samples, honest ones on correlated samples."""

import numpy as np
import pytest
from numba import njit
from scipy.signal import lfilter
from scipy.stats import gumbel_r

from steadyhead.errors import ReadingsError
from steadyhead.stats import cusum, ewma
from steadyhead.stats.bootstrap import (
    Resampling,
    cusum_maxima,
    ewma_maxima,
    tail_threshold_for_rate,
    threshold_for_rate,
)


def ar1(phi, count, seed):
    """AR(1) series of unit variance, started in its stationary state."""
    random = np.random.default_rng(seed)
    noise = random.standard_normal(count) * np.sqrt(1.0 - phi * phi)
    noise[0] = random.standard_normal()
    return lfilter([1.0], [1.0, -phi], noise)


@njit
def mean_run_length(z, allowance, threshold):
    """Independent oracle: counts false alarms of a CUSUM on a fresh series, started anew after each."""
    up, down, alarms = 0.0, 0.0, 0
    for value in z:
        up = max(0.0, up + value - allowance)
        down = max(0.0, down - value - allowance)
        if up > threshold or down > threshold:
            up, down, alarms = 0.0, 0.0, alarms + 1
    return z.size / alarms


def bootstrap_cusum_threshold(phi, arl):
    history = ar1(phi, 200_000, seed=1)
    plan = Resampling(block=400, run_length=2 * arl, replicates=3000, seed=2)
    return threshold_for_rate(cusum_maxima(history, 0.5, plan), plan.run_length, 1.0 / arl)


def test_independent_samples_give_the_textbook_cusum_threshold():
    # Published (Lucas & Crosier): h = 5, k = 0.5 gives 465. Monte Carlo error of the run length about 4 %.
    threshold = bootstrap_cusum_threshold(0.0, 465)
    assert threshold == pytest.approx(5.0, abs=0.1)
    assert cusum.two_sided_arl(threshold, 0.5) == pytest.approx(465, rel=0.12)


def test_independent_samples_give_the_textbook_ewma_limit():
    # Published (Lucas & Saccucci): weight 0.5, width 3.071 gives 500.
    history = np.random.default_rng(3).standard_normal(200_000)
    plan = Resampling(block=100, run_length=1000, replicates=3000, seed=4)
    limit = threshold_for_rate(ewma_maxima(history, 0.5, plan), plan.run_length, 1.0 / 500.0)
    assert limit == pytest.approx(ewma.fixed_limit(3.071, 0.5), rel=0.02)


@njit
def mean_run_length_of_fresh_starts(phi, allowance, threshold, runs, seed):
    """Independent oracle: many AR(1) series of unit variance, each from its stationary state to its alarm."""
    np.random.seed(seed)  # noqa: NPY002 - numba's generator
    total = 0
    for _ in range(runs):
        value, up, down = np.random.standard_normal(), 0.0, 0.0  # noqa: NPY002
        while True:
            total += 1
            up = max(0.0, up + value - allowance)
            down = max(0.0, down - value - allowance)
            if up > threshold or down > threshold:
                break
            value = phi * value + np.sqrt(1.0 - phi * phi) * np.random.standard_normal()  # noqa: NPY002
    return total / runs


# Independent: 20 000 simulated runs each by another program: k 0.5, h 5, two-sided; standard error 0.7 %.
# Here 6000 runs, standard error 1.3 %
@pytest.mark.parametrize(
    ("phi", "textbook_gives"), [(0.0, 468), (0.25, 118), (0.5, 51.5), (0.75, 31.8), (0.9, 28.8)]
)
def test_textbook_threshold_fails_on_correlated_samples_by_the_known_factor(phi, textbook_gives):
    met = mean_run_length_of_fresh_starts(phi, 0.5, 5.0, 6000, 5)
    assert met == pytest.approx(textbook_gives, rel=0.045)


@pytest.mark.parametrize("phi", [0.5, 0.75])
def test_bootstrap_threshold_meets_the_rate_on_correlated_samples(phi):
    wanted = 465
    threshold = bootstrap_cusum_threshold(phi, wanted)
    fresh = ar1(phi, 4_000_000, seed=6)
    met = mean_run_length(fresh, 0.5, threshold)
    assert met == pytest.approx(wanted, rel=0.15)
    assert mean_run_length(fresh, 0.5, 5.0) < wanted / 5  # the textbook threshold does not


@pytest.mark.parametrize("arl", [10_000, 100_000])
def test_tail_reaches_rates_that_resampling_cannot(arl):
    # Independent: the integral equation, 8.05 and 10.35; over histories of this length the threshold
    # scatters by 2 to 3 %
    history = np.random.default_rng(7).standard_normal(200_000)
    maxima = cusum_maxima(history, 0.5, Resampling(block=100, run_length=1000, replicates=3000, seed=8))
    assert tail_threshold_for_rate(maxima, 1000, 1.0 / arl) == pytest.approx(
        cusum.threshold_for_arl(arl, 0.5), rel=0.06
    )


def test_tail_is_that_of_a_gumbel_distribution():
    # Independent: scipy.stats.gumbel_r
    sample = gumbel_r(loc=3.0, scale=0.7).rvs(20_000, random_state=9)
    wanted = gumbel_r(loc=3.0, scale=0.7).ppf(np.exp(-0.01 * 1.0))
    assert tail_threshold_for_rate(sample, 1, 0.01) == pytest.approx(wanted, rel=0.02)


def slow_maximum(residuals, starts, block, run_length, weight):
    joined = np.concatenate([np.roll(residuals, -start)[:block] for start in starts])[:run_length]
    return np.max(np.abs(ewma.ewma_chart(joined, weight)))


def test_maxima_are_those_of_blocks_joined_end_to_end():
    # Independent: the slow way above; with one block as long as the run the start is all that is drawn
    residuals = np.random.default_rng(10).standard_normal(40)
    plan = Resampling(block=40, run_length=40, replicates=200, seed=11)
    possible = {round(slow_maximum(residuals, [start], 40, 40, 0.3), 9) for start in range(40)}
    found = {round(value, 9) for value in ewma_maxima(residuals, 0.3, plan)}
    assert found <= possible
    assert len(found) > 10


def test_seasonal_blocks_keep_their_phase():
    # every value of the history equals its phase; a chart without memory then sees phases in order only
    season = 4
    history = np.tile([0.0, 1.0, 2.0, 3.0], 25)
    plan = Resampling(block=6, run_length=3, replicates=50, season=season, seed=12)
    # the first three samples of a day are 0, 1, 2: the last phase can never appear
    assert ewma_maxima(history, 1.0, plan).max() == 2.0
    free = Resampling(block=6, run_length=3, replicates=50, seed=12)
    assert ewma_maxima(history, 1.0, free).max() == 3.0
    # blocks of one and a half seasons begin at phase 0, 2, 0 ...: joined, the phases still run in order
    longer = Resampling(block=6, run_length=26, replicates=50, season=season, seed=12)
    in_order = ewma.ewma_chart(np.tile([0.0, 1.0, 2.0, 3.0], 7)[:26], 0.3).max()
    np.testing.assert_allclose(ewma_maxima(history, 0.3, longer), in_order)


def test_one_sided_charts_look_at_one_side():
    history = np.concatenate((np.full(50, -1.0), np.zeros(50)))
    plan = Resampling(block=100, run_length=100, replicates=5, seed=13)
    assert cusum_maxima(history, 0.5, plan, side="high").max() == 0.0
    assert cusum_maxima(history, 0.5, plan, side="low").max() > 10.0
    assert ewma_maxima(history, 0.5, plan, side="high").max() == 0.0
    assert ewma_maxima(history, 0.5, plan, side="low").max() == pytest.approx(1.0, abs=1e-6)


def test_same_seed_same_threshold_and_missing_samples_hold_the_chart():
    history = ar1(0.5, 2000, seed=14)
    history[::7] = np.nan
    plan = Resampling(block=50, run_length=300, replicates=30, seed=15)
    first, again = cusum_maxima(history, 0.5, plan), cusum_maxima(history, 0.5, plan)
    np.testing.assert_array_equal(first, again)
    assert np.isfinite(first).all()


def test_a_rate_beyond_what_the_histories_tell_is_refused():
    maxima = np.arange(100.0)
    with pytest.raises(ReadingsError, match="100 histories of 10 samples tell too little"):
        threshold_for_rate(maxima, 10, 1e-6)
    with pytest.raises(ReadingsError, match="wanted more than 0"):
        threshold_for_rate(maxima, 10, 0.0)
    with pytest.raises(ReadingsError, match="20 or more"):
        tail_threshold_for_rate(maxima[:5], 10, 0.1)


def test_too_short_a_history_is_refused():
    with pytest.raises(ReadingsError, match="at least one block of 50"):
        cusum_maxima(np.zeros(20), 0.5, Resampling(block=50, run_length=100))
    with pytest.raises(ReadingsError, match="finite"):
        cusum_maxima(np.full(200, np.nan), 0.5, Resampling(block=50, run_length=100))
    with pytest.raises(ReadingsError, match="must be 1 or more"):
        cusum_maxima(np.zeros(200), 0.5, Resampling(block=0, run_length=100))
