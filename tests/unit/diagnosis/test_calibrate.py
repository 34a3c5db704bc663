"""Confidence is a counted chance."""

from __future__ import annotations

from steadyhead.diagnosis.calibrate import chance, counted
from steadyhead.trials.confidence import count
from steadyhead.types import CONDITIONS


def test_the_chance_is_the_posterior_mean_of_a_binomial_share() -> None:
    # By hand: prior 0.8 worth 10 alerts; 9 right of 10 gives (9 + 8) / 20.
    assert abs(chance(9, 10) - 17.0 / 20) < 1e-12
    assert abs(chance(0, 0) - 0.8) < 1e-12


def test_what_was_counted_is_of_known_conditions_and_possible() -> None:
    assert set(counted()) <= set(CONDITIONS)
    assert all(0 <= right <= n for right, n in counted().values())
    assert sum(n for _, n in counted().values()) > 100


def test_only_first_alerts_are_counted() -> None:
    rows = [
        {"first": "drift", "right": "right"},
        {"first": "drift", "right": "WRONG"},
        {"first": "-", "right": "-"},
    ]
    assert count(rows) == {"drift": [1, 2]}
