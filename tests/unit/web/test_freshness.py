"""When a reading is overdue, and when a sender has fallen silent."""

from pathlib import Path

import pytest

from steadyhead.config import load_registry
from steadyhead.web.freshness import Heard, Watch, old_after_s

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def station():
    return load_registry(ROOT / "config" / "stations.yaml").stations["chapel_green"]


# by hand: one rhythm, and the longer of half of it and half a minute
@pytest.mark.parametrize(
    ("step_s", "changes", "said_s"),
    [
        (1, {}, 31),
        (60, {}, 90),
        (900, {}, 1350),
        (60, {"reporting": "on_change", "heartbeat_s": 600}, 900),
        (60, {"reporting": "on_change", "heartbeat_s": None}, 5400),
        (60, {"averaged": True, "stamped": "start"}, 180),
        (60, {"averaged": True, "stamped": "end"}, 90),
    ],
)
def test_a_reading_is_overdue_half_a_rhythm_or_half_a_minute_late(station, step_s, changes, said_s):
    usual = {"step_s": step_s, "reporting": "sampled", "averaged": False, "stamped": "end"}
    assert old_after_s(station.model_copy(update={**usual, **changes})) == said_s


def test_a_sender_is_missed_within_half_a_minute_once_its_rhythm_is_known():
    watch = Watch()
    for at_s in range(0, 60, 10):
        assert not watch._is_overdue("logger", at_s, at_s + 1)
    assert not watch._is_overdue("logger", 50, 80)
    assert watch._is_overdue("logger", 50, 81)
    assert not watch._is_overdue("logger", 90, 91)


def test_a_sender_of_unknown_rhythm_is_never_called_gone():
    watch = Watch()
    for at_s in (0, 10, 20, 20, 20):
        assert not watch._is_overdue("logger", at_s, at_s + 100_000)


def test_a_fleet_is_silent_only_if_it_was_heard_and_none_of_it_is():
    assert Heard(n_fresh=0, n_old=3, n_never=5, last_s=1).is_silent
    assert not Heard(n_fresh=1, n_old=3, n_never=5, last_s=1).is_silent
    assert not Heard(n_fresh=0, n_old=0, n_never=5, last_s=None).is_silent
