"""Calibration figures against scikit-learn and a table worked by hand."""

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from steadyhead.errors import ReadingsError
from steadyhead.stats.calibration import brier_score, expected_calibration_error, reliability_table

SAID = np.array([0.9, 0.9, 0.9, 0.9, 0.6, 0.6, 0.3, 0.1])
RIGHT = np.array([1, 1, 1, 0, 1, 0, 0, 0], bool)


def test_worked_example():
    # by hand, 5 bins of 0.2: 0.1 -> right 0; 0.3 -> 0; 0.6 (upper bin) -> 1/2; 0.9 -> 3/4
    # ECE = (1 * 0.1 + 1 * 0.3 + 2 * 0.1 + 4 * 0.15) / 8 = 0.15
    # Brier = (3 * 0.01 + 0.81 + 0.16 + 0.36 + 0.09 + 0.01) / 8 = 0.1825
    table = reliability_table(SAID, RIGHT, bins=5)
    assert table.count.tolist() == [1, 1, 2, 4]
    np.testing.assert_allclose(table.said, [0.1, 0.3, 0.6, 0.9])
    np.testing.assert_allclose(table.right, [0.0, 0.0, 0.5, 0.75])
    np.testing.assert_allclose(table.low, [0.0, 0.2, 0.6, 0.8])
    np.testing.assert_allclose(table.high, [0.2, 0.4, 0.8, 1.0])
    assert expected_calibration_error(SAID, RIGHT, bins=5) == pytest.approx(0.15)
    assert brier_score(SAID, RIGHT) == pytest.approx(0.1825)


@pytest.mark.parametrize("strategy", ["uniform", "quantile"])
def test_table_and_brier_score_are_those_of_scikit_learn(strategy):
    random = np.random.default_rng(1)
    said = random.beta(4, 2, 500)
    right = random.uniform(size=500) < said**1.5
    share, mean = calibration_curve(right, said, n_bins=10, strategy=strategy)
    table = reliability_table(said, right, 10, strategy)
    np.testing.assert_allclose(table.right, share)
    np.testing.assert_allclose(table.said, mean)
    assert brier_score(said, right) == pytest.approx(brier_score_loss(right, said))


def test_honest_confidence_has_a_small_error_and_boasting_a_large_one():
    random = np.random.default_rng(2)
    truth = random.uniform(0.5, 1.0, 20_000)
    right = random.uniform(size=20_000) < truth
    assert expected_calibration_error(truth, right) < 0.02
    assert expected_calibration_error(np.ones(20_000), right) == pytest.approx(
        0.25, abs=0.01
    )  # by hand: 1 - 3/4


def test_extremes():
    assert expected_calibration_error(np.array([1.0, 0.0]), np.array([True, False])) == 0.0
    assert brier_score(np.array([0.5, 0.5]), np.array([True, False])) == pytest.approx(0.25)


def test_bad_arguments_get_one_clear_line():
    with pytest.raises(ReadingsError, match="at least one answer"):
        brier_score(np.array([]), np.array([], bool))
    with pytest.raises(ReadingsError, match="outside 0 to 1"):
        expected_calibration_error(np.array([1.2]), np.array([True]))
    with pytest.raises(ReadingsError, match="outside 0 to 1 or NaN"):
        brier_score(np.array([np.nan]), np.array([True]))
    with pytest.raises(ReadingsError, match="0 bins"):
        reliability_table(SAID, RIGHT, 0)
