"""Sources that are asked for spans: how far back they reach."""

import numpy as np
import pytest

from steadyhead.feeds.check.rhythm import stored_words
from steadyhead.feeds.connector import NO_POINTS, Points
from steadyhead.feeds.polled import Polled

NOW_S = 1_800_000_000


class Store(Polled):
    """Holds a reading each ``every_s`` for so many days."""

    def __init__(self, days, every_s=900):
        super().__init__(10.0, 300, lambda: NOW_S)
        self.first_s, self.every_s = NOW_S - days * 86_400, every_s

    def describe(self):
        return "a store"

    def fetch(self, from_us, to_us):
        first = max(-(-from_us // 1_000_000), self.first_s)
        us = np.arange(-(-first // self.every_s) * self.every_s * 1_000_000, to_us, self.every_s * 1_000_000)
        return Points(["a"], np.zeros(len(us), np.int64), us, us * 1.0) if len(us) else NO_POINTS


@pytest.mark.parametrize(
    ("days", "every_s", "reach"),
    [(3, 900, 0), (8, 900, 7), (40, 900, 21), (40, 14_400, 21), (400, 60, 365)],
)
def test_how_far_back_a_store_reaches_is_found_by_looking_at_single_hours(days, every_s, reach):
    assert Store(days, every_s).reach_days() == reach


def test_what_is_stored_is_said_in_words():
    assert stored_words(5.0, 60) == (
        "at least 60 days are stored: enough to learn from; bring them in with backfill_from"
    )
    assert stored_words(5.0, 7).startswith("at least 7 days are stored: learning works, some conditions")
    assert stored_words(0.01, None).startswith("nothing is stored to learn from; what comes is kept")
    assert stored_words(2.0, None).endswith("at least 3 are needed and 21 are good (of what was looked at)")
