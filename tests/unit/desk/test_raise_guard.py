"""The one table of the re-raise guard."""

from __future__ import annotations

from steadyhead.desk.guard import GUARDS, is_kept_quiet, is_same_episode
from steadyhead.diagnosis.weigh import SAME_EPISODE_S
from steadyhead.types import CONDITIONS


def test_every_condition_is_in_the_table() -> None:
    assert set(GUARDS) == set(CONDITIONS)
    assert all(0 < guard.quiet_s <= guard.join_s for guard in GUARDS.values())


def test_a_live_run_joins_what_a_replay_joins() -> None:
    assert {guard.join_s for guard in GUARDS.values()} == {SAME_EPISODE_S}


def test_the_edges_of_the_guard() -> None:
    join_s, quiet_s = GUARDS["hunting"].join_s, GUARDS["hunting"].quiet_s
    assert is_same_episode("hunting", 1000, 1000 + join_s - 1)
    assert not is_same_episode("hunting", 1000, 1000 + join_s)
    assert is_kept_quiet("hunting", 1000, 1000 + quiet_s - 1)
    assert not is_kept_quiet("hunting", 1000, 1000 + quiet_s)
    assert not is_kept_quiet("hunting", None, 1000)
    assert not is_kept_quiet("hunting", 1000, 999)  # an older episode that is told late
