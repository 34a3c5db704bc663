"""Block-bootstrap thresholds: the textbook's on independent samples, honest ones on correlated samples."""

import numpy as np
import pytest
from numba import njit
from scipy.signal import lfilter
from scipy.stats import gumbel_r

from steadyhead.errors import ReadingsError
from steadyhead.stats.bootstrap import Resampling, ewma_maxima, tail_threshold_for_rate
from steadyhead.stats.ewma import ewma_chart, fixed_limit


def ar1(phi, count, seed):
    """AR(1) series of unit variance, started in its stationary state."""
    random = np.random.default_rng(seed)
    noise = random.standard_normal(count) * np.sqrt(1.0 - phi * phi)
    noise[0] = random.standard_normal()
    return lfilter([1.0], [1.0, -phi], noise)


@njit
def mean_run_length(z, weight, limit):
    """Independent oracle: counts false alarms of an EWMA on a fresh series, started anew after each."""
    level, alarms = 0.0, 0
    for value in z:
        level += weight * (value - level)
        if abs(level) > limit:
            level, alarms = 0.0, alarms + 1
    return z.size / alarms


def bootstrap_limit(history, weight, arl):
    """Limit from the resampled histories themselves: first passages are nearly a Poisson process."""
    plan = Resampling(block=400, run_length=2 * arl, replicates=3000, seed=2)
    return np.quantile(ewma_maxima(history, weight, plan), np.exp(-2.0))


def test_independent_samples_give_the_textbook_ewma_limit():
    # Published (Lucas & Saccucci): weight 0.5, width 3.071 gives 500.
    limit = bootstrap_limit(np.random.default_rng(3).standard_normal(200_000), 0.5, 500)
    assert limit == pytest.approx(fixed_limit(3.071, 0.5), rel=0.02)


@pytest.mark.parametrize("phi", [0.5, 0.75])
def test_bootstrap_limit_meets_the_rate_on_correlated_samples(phi):
    wanted = 500
    limit = bootstrap_limit(ar1(phi, 200_000, seed=1), 0.5, wanted)
    fresh = ar1(phi, 4_000_000, seed=6)
    assert mean_run_length(fresh, 0.5, limit) == pytest.approx(wanted, rel=0.15)
    assert mean_run_length(fresh, 0.5, fixed_limit(3.071, 0.5)) < wanted / 5  # the textbook limit does not


@pytest.mark.parametrize("phi", [0.0, 0.75])
def test_tail_reaches_rates_that_resampling_cannot(phi):
    # Independent: alarms counted on 40 million fresh samples. A history of 200 000 tells the rate within a
    # quarter or so; the tail of normal samples falls faster than a Gumbel's, which errs to the careful side
    wanted, run_length = 20_000, 1000
    plan = Resampling(block=200, run_length=run_length, replicates=3000, seed=8)
    maxima = ewma_maxima(ar1(phi, 200_000, seed=7), 0.2, plan)
    limit = tail_threshold_for_rate(maxima, run_length, 1.0 / wanted)
    assert 0.75 * wanted < mean_run_length(ar1(phi, 40_000_000, seed=9), 0.2, limit) < 5 * wanted


def test_tail_is_that_of_a_gumbel_distribution():
    # Independent: scipy.stats.gumbel_r
    sample = gumbel_r(loc=3.0, scale=0.7).rvs(20_000, random_state=9)
    wanted = gumbel_r(loc=3.0, scale=0.7).ppf(np.exp(-0.01 * 1.0))
    assert tail_threshold_for_rate(sample, 1, 0.01) == pytest.approx(wanted, rel=0.02)


def slow_maximum(residuals, starts, block, run_length, weight):
    joined = np.concatenate([np.roll(residuals, -start)[:block] for start in starts])[:run_length]
    return np.max(np.abs(ewma_chart(joined, weight)))


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
    in_order = ewma_chart(np.tile([0.0, 1.0, 2.0, 3.0], 7)[:26], 0.3).max()
    np.testing.assert_allclose(ewma_maxima(history, 0.3, longer), in_order)


def test_same_seed_same_threshold_and_missing_samples_hold_the_chart():
    history = ar1(0.5, 2000, seed=14)
    history[::7] = np.nan
    plan = Resampling(block=50, run_length=300, replicates=30, seed=15)
    first, again = ewma_maxima(history, 0.5, plan), ewma_maxima(history, 0.5, plan)
    np.testing.assert_array_equal(first, again)
    assert np.isfinite(first).all()


def test_too_few_maxima_and_no_rate_are_refused():
    maxima = np.arange(100.0)
    with pytest.raises(ReadingsError, match="20 or more"):
        tail_threshold_for_rate(maxima[:5], 10, 0.1)
    with pytest.raises(ReadingsError, match="positive rate"):
        tail_threshold_for_rate(maxima, 10, 0.0)
    assert np.isfinite(tail_threshold_for_rate(maxima[:5], 10, 0.1, least=5))


def test_too_short_a_history_is_refused():
    with pytest.raises(ReadingsError, match="at least one block of 50"):
        ewma_maxima(np.zeros(20), 0.5, Resampling(block=50, run_length=100))
    with pytest.raises(ReadingsError, match="finite"):
        ewma_maxima(np.full(200, np.nan), 0.5, Resampling(block=50, run_length=100))
    with pytest.raises(ReadingsError, match="must be 1 or more"):
        ewma_maxima(np.zeros(200), 0.5, Resampling(block=0, run_length=100))
