"""The transition table row by row.

Source: IEC 62682:2014/2022 and ANSI/ISA-18.2-2016, state diagram, from memory; the paid texts were not read.
The latched rows and the unshelve rows agree with the open OPC 10000-9 (latched stays until reset even if the
value is normal; unshelving goes back to what the condition is then).
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.alerts.lifecycle import EVENTS, STATES, advance, is_listed, replayed_state

NORMAL, UNACKED, ACKED, RETURNED = (
    "normal",
    "active_unacknowledged",
    "active_acknowledged",
    "returned_unacknowledged",
)
LATCHED_UNACKED, LATCHED_ACKED = "latched_unacknowledged", "latched_acknowledged"
IN_USE = (NORMAL, UNACKED, ACKED, RETURNED, LATCHED_UNACKED, LATCHED_ACKED)

ROWS = [  # from, event, condition holds then, latching, to
    (NORMAL, "condition_true", True, False, UNACKED),
    (UNACKED, "acknowledge", True, False, ACKED),
    (UNACKED, "condition_clear", False, False, RETURNED),
    (UNACKED, "condition_clear", False, True, LATCHED_UNACKED),
    (ACKED, "condition_clear", False, False, NORMAL),
    (ACKED, "condition_clear", False, True, LATCHED_ACKED),
    (RETURNED, "acknowledge", False, False, NORMAL),
    (RETURNED, "condition_true", True, False, UNACKED),
    (LATCHED_UNACKED, "acknowledge", False, True, LATCHED_ACKED),
    (LATCHED_ACKED, "reset", False, True, NORMAL),
    (LATCHED_ACKED, "reset", True, True, LATCHED_ACKED),
    (LATCHED_UNACKED, "condition_true", True, True, UNACKED),
    (LATCHED_ACKED, "condition_true", True, True, UNACKED),
    *[(state, "shelve", False, False, "shelved") for state in IN_USE],
    *[(state, "suppress", False, False, "suppressed_by_design") for state in IN_USE],
    *[(state, "remove_from_service", False, False, "out_of_service") for state in IN_USE],
    ("shelved", "unshelve", True, False, UNACKED),
    ("shelved", "unshelve", False, False, NORMAL),
    ("shelved", "unshelve", True, True, UNACKED),
    ("shelved", "unshelve", False, True, LATCHED_UNACKED),
    ("suppressed_by_design", "release", False, True, NORMAL),
    ("out_of_service", "return_to_service", False, True, NORMAL),
    (LATCHED_UNACKED, "reset", False, True, LATCHED_UNACKED),
    ("suppressed_by_design", "release", True, False, UNACKED),
    ("suppressed_by_design", "release", False, False, NORMAL),
    ("out_of_service", "return_to_service", True, False, UNACKED),
    ("out_of_service", "return_to_service", False, False, NORMAL),
]
LISTED = {(state, event) for state, event, *_ in ROWS} - {(LATCHED_UNACKED, "reset")}


@pytest.mark.parametrize(("state", "event", "is_true", "is_latching", "to"), ROWS)
def test_row_of_the_transition_table(state, event, is_true, is_latching, to):
    assert advance(state, event, is_true=is_true, is_latching=is_latching) == to


@pytest.mark.parametrize(
    ("state", "event"), [pair for pair in itertools.product(STATES, EVENTS) if pair not in LISTED]
)
def test_an_event_that_is_not_in_the_table_changes_nothing(state, event):
    for is_true in (True, False):
        for is_latching in (True, False):
            assert advance(state, event, is_true=is_true, is_latching=is_latching) == state


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("event", EVENTS)
def test_is_listed_agrees_with_the_table(state, event):
    assert is_listed(state, event) == ((state, event) in LISTED)


steps = st.lists(st.tuples(st.sampled_from(EVENTS), st.booleans()), max_size=30)


@given(steps=steps, is_latching=st.booleans())
def test_no_state_outside_the_list_is_ever_reached(steps, is_latching):
    state = NORMAL
    for event, is_true in steps:
        before, state = state, advance(state, event, is_true=is_true, is_latching=is_latching)
        assert state in STATES
        if state != before:
            assert (before, event) in LISTED
        if not is_latching:
            assert not state.startswith("latched")


@given(steps=steps)
def test_an_unacknowledged_alert_never_vanishes_without_a_person(steps):
    state = UNACKED
    for event, is_true in steps:
        if event not in ("condition_true", "condition_clear"):
            continue
        state = advance(state, event, is_true=is_true)
        assert state != NORMAL


@given(steps=steps)
def test_a_latching_alert_is_never_over_without_a_reset_or_somebody_who_held_it_back(steps):
    """Whatever happens to it in use or on the shelf, only a reset ends it."""
    state = UNACKED
    for event, is_true in steps:
        if event in ("suppress", "remove_from_service"):
            continue
        before, state = state, advance(state, event, is_true=is_true, is_latching=True)
        if state == NORMAL:
            assert (before, event, is_true) == (LATCHED_ACKED, "reset", False)
            return


def test_shelving_holds_until_it_is_undone_whatever_the_condition_does():
    state = advance("shelved", "condition_true", is_true=True)
    assert advance(state, "condition_clear", is_true=False) == "shelved"
    assert advance("shelved", "acknowledge", is_true=True) == "shelved"


def test_a_replay_knows_only_active_and_returned_because_nobody_acknowledges():
    assert replayed_state(has_ended=False) == UNACKED
    assert replayed_state(has_ended=True) == RETURNED
