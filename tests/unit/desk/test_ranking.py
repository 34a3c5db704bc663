"""Worst first, in words an operator would use."""

from __future__ import annotations

import itertools

from steadyhead.alerts.lifecycle import STATES
from steadyhead.alerts.model import PRIORITIES
from steadyhead.desk.ranking import ACTIVE, GONE, HELD, STANDING, UNACKNOWLEDGED, rank


def test_every_state_has_one_place() -> None:
    assert sorted((*ACTIVE, *GONE, *HELD, "normal")) == sorted(STATES)
    assert set(STANDING) == {*ACTIVE, *GONE}
    assert set(UNACKNOWLEDGED) == {s for s in STATES if s.endswith("unacknowledged")}


def test_the_order_is_the_one_the_docs_give() -> None:
    wanted = [
        ("active_unacknowledged", "high"),
        ("active_acknowledged", "high"),
        ("active_unacknowledged", "medium"),
        ("active_acknowledged", "low"),
        ("returned_unacknowledged", "high"),
        ("returned_unacknowledged", "low"),
        ("shelved", "high"),
        ("normal", "high"),
        ("normal", "low"),
    ]
    ranks = [rank(state, priority) for state, priority in wanted]
    assert ranks == sorted(set(ranks), reverse=True)


def test_what_needs_a_person_goes_before_what_does_not() -> None:
    pairs = list(itertools.product(STATES, PRIORITIES))
    least = min(rank(s, p) for s, p in pairs if s in STANDING)
    assert least > max(rank(s, p) for s, p in pairs if s not in STANDING)
