"""Where an alert goes next: the states and transitions of IEC 62682 / ISA-18.2, as one pure function.

Letters as in the standards' state diagram (from memory, the paid text was not read):

    A normal                     D returned, unacknowledged     G shelved (operator, with an end time)
    B active, unacknowledged     E latched, unacknowledged      H suppressed by design (logic)
    C active, acknowledged       F latched, acknowledged        I out of service (maintenance)

On-delay, off-delay and hysteresis come before this: ``condition_true`` means true after its on-delay,
``condition_clear`` means clear after its off-delay. Who, when and why belong to the caller's record.
"""

from __future__ import annotations

from typing import Literal, get_args

from steadyhead.alerts.model import AlertState

Event = Literal[
    "condition_true",
    "condition_clear",
    "acknowledge",
    "reset",
    "shelve",
    "unshelve",
    "suppress",
    "release",
    "remove_from_service",
    "return_to_service",
]

STATES: tuple[AlertState, ...] = get_args(AlertState)
EVENTS: tuple[Event, ...] = get_args(Event)

_IN_USE: tuple[AlertState, ...] = (
    "normal",
    "active_unacknowledged",
    "active_acknowledged",
    "returned_unacknowledged",
    "latched_unacknowledged",
    "latched_acknowledged",
)

_PLAIN: dict[tuple[AlertState, Event], AlertState] = {
    ("normal", "condition_true"): "active_unacknowledged",
    ("active_unacknowledged", "acknowledge"): "active_acknowledged",
    ("active_unacknowledged", "condition_clear"): "returned_unacknowledged",
    ("active_acknowledged", "condition_clear"): "normal",
    ("returned_unacknowledged", "acknowledge"): "normal",
    ("returned_unacknowledged", "condition_true"): "active_unacknowledged",
    ("latched_unacknowledged", "acknowledge"): "latched_acknowledged",
    ("latched_unacknowledged", "condition_true"): "active_unacknowledged",
    ("latched_acknowledged", "condition_true"): "active_unacknowledged",
    ("latched_acknowledged", "reset"): "normal",
    **{(state, "shelve"): "shelved" for state in _IN_USE},
    **{(state, "suppress"): "suppressed_by_design" for state in _IN_USE},
    **{(state, "remove_from_service"): "out_of_service" for state in _IN_USE},
}

_LATCHING: dict[tuple[AlertState, Event], AlertState] = {
    ("active_unacknowledged", "condition_clear"): "latched_unacknowledged",
    ("active_acknowledged", "condition_clear"): "latched_acknowledged",
    # it has cleared on the shelf, where nobody could reset it
    ("shelved", "unshelve"): "latched_unacknowledged",
}

_BACK_IN_USE: frozenset[tuple[AlertState, Event]] = frozenset(
    {
        ("shelved", "unshelve"),  # by hand, or because its time is over
        ("suppressed_by_design", "release"),
        ("out_of_service", "return_to_service"),
    }
)


def is_listed(state: AlertState, event: Event) -> bool:
    """Whether the event means anything in this state; a page refuses a request that does not."""
    return (state, event) in _PLAIN or (state, event) in _BACK_IN_USE


def advance(state: AlertState, event: Event, *, is_true: bool, is_latching: bool = False) -> AlertState:
    """The state after an event.

    is_true : whether the condition holds at that moment; decides where an alert goes when it comes back
        from shelving, suppression or maintenance, and holds back a reset while it still holds
    is_latching : the alert stays after the condition clears until somebody resets it. What clears while it is
        suppressed by design or its station is out of service does not latch: it meant nothing there

    An event that is not listed for the state changes nothing: a condition is reported at every look, so
    ``condition_true`` on an active alert is the usual case and no mistake.
    """
    if (state, event) in _BACK_IN_USE and is_true:
        return "active_unacknowledged"
    if event == "reset" and is_true:
        return state
    if is_latching and (state, event) in _LATCHING:
        return _LATCHING[state, event]
    if (state, event) in _BACK_IN_USE:
        return "normal"
    return _PLAIN.get((state, event), state)


def replayed_state(*, has_ended: bool) -> AlertState:
    """State of an episode found in a replay, where nobody has acknowledged anything."""
    state = advance("normal", "condition_true", is_true=True)
    return advance(state, "condition_clear", is_true=False) if has_ended else state
