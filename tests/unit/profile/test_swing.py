"""What is said of a swing that learning left out."""

from __future__ import annotations

import numpy as np
import pytest

from steadyhead.profile.swing import swing_words
from steadyhead.readings.frame import Readings, regular


def log(movement: np.ndarray, step_s: int = 5) -> Readings:
    hour = np.arange(len(movement)) * step_s / 3600
    return regular("made_up", 0, step_s, 400.0 + 3.0 * np.sin(hour / 24 * 2 * np.pi) + movement)


def test_a_regular_swing_is_told_with_its_period_and_share() -> None:
    rng = np.random.default_rng(1)
    at_s = 5 * np.arange(5000)
    swing = 6.0 * np.sin(at_s / 47.0 * 2 * np.pi) + rng.normal(0, 1.5, 5000)
    # by hand: a sine of 6 has variance 18, the noise 2.25, so it holds 89 % of the movement
    words = swing_words(log(swing), 0.0, 25_000.0)
    assert words.startswith("a regular swing of 47 s holds ")
    share = int(words.removeprefix("a regular swing of 47 s holds ").split("%")[0])
    assert share == pytest.approx(89, abs=3)


def test_gaps_do_not_hide_it() -> None:
    rng = np.random.default_rng(2)
    swing = 6.0 * np.sin(5 * np.arange(3000) / 60.0 * 2 * np.pi) + rng.normal(0, 1.0, 3000)
    swing[rng.random(3000) < 0.15] = np.nan
    assert swing_words(log(swing), 0.0, 15_000.0).startswith("a regular swing of 60 s")


def test_noise_has_no_swing() -> None:
    noise = np.random.default_rng(3).normal(0, 2.0, 3000)
    assert swing_words(log(noise), 0.0, 15_000.0) == "no regular swing stands out at this sampling"


def test_a_beat_that_keeps_changing_is_not_called_regular() -> None:
    rng = np.random.default_rng(4)
    # half waves of 20 to 100 s
    halves = rng.integers(4, 21, 400)
    signs = np.tile([5.0, -5.0], 200)
    waves = [sign * np.sin(np.linspace(0, np.pi, n)) for n, sign in zip(halves, signs, strict=True)]
    wandering = np.concatenate(waves)
    assert "a regular swing" not in swing_words(log(wandering), 0.0, 5.0 * len(wandering))


def test_too_little_gets_no_words() -> None:
    assert swing_words(log(np.zeros(40)), 0.0, 200.0) == ""
    assert swing_words(log(np.full(400, np.nan)), 0.0, 2000.0) == ""
