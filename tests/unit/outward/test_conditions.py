"""Episodes of one name at one station become one condition."""

import pytest

from steadyhead.outward.conditions import condition_state
from steadyhead.store.tables import AlertRow


def row(alert_id, state, *, raised_s, ended_s=None, acknowledged_s=None, priority="medium", is_true=None):
    return AlertRow(
        alert_id=alert_id, station="elm", condition="drift", state=state, raised_s=raised_s, ended_s=ended_s,
        acknowledged_s=acknowledged_s, priority=priority,
        is_true=ended_s is None if is_true is None else is_true,
    )  # fmt: skip


def told(*rows):
    return condition_state(rows, lambda condition: condition.upper())


@pytest.mark.parametrize(
    ("state", "ended_s", "acknowledged_s", "active", "acked", "retained", "held"),
    [
        ("active_unacknowledged", None, None, True, False, True, None),
        ("active_acknowledged", None, 150, True, True, True, None),
        ("returned_unacknowledged", 200, None, False, False, True, None),
        ("normal", 200, 150, False, True, False, None),
        ("shelved", None, None, True, False, True, "shelved"),
        ("suppressed_by_design", 200, None, False, False, True, "suppressed_by_design"),
        ("out_of_service", None, 150, True, True, True, "out_of_service"),
    ],
)
def test_states_of_the_desk_in_the_words_of_part_9(
    state, ended_s, acknowledged_s, active, acked, retained, held
):
    found = told(row("a", state, raised_s=100, ended_s=ended_s, acknowledged_s=acknowledged_s))
    assert (found.is_active, found.is_acked, found.is_retained, found.held) == (active, acked, retained, held)
    assert found.at_s == max(100, ended_s or 0, acknowledged_s or 0)
    assert (found.severity, found.message) == (500, "elm: DRIFT")


def test_two_standing_episodes_are_acknowledged_only_when_both_are():
    old = row("a", "returned_unacknowledged", raised_s=100, ended_s=200, priority="high")
    new = row("b", "active_acknowledged", raised_s=300, acknowledged_s=310, priority="low")
    found = told(new, old)
    assert (found.is_active, found.is_acked, found.is_retained) == (True, False, True)
    assert found.severity == 900
    assert found.active_since_s == 300


def test_one_that_is_put_aside_does_not_put_the_other_aside():
    shelved = row("a", "shelved", raised_s=100)
    assert told(shelved).held == "shelved"
    assert told(shelved, row("b", "active_unacknowledged", raised_s=300)).held is None
