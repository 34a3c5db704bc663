"""Worst first: the order of the list of alerts, as one number per alert that the database can sort by."""

from __future__ import annotations

from steadyhead.alerts.model import PRIORITIES, AlertState, Priority

ACTIVE: tuple[AlertState, ...] = ("active_unacknowledged", "active_acknowledged")
GONE: tuple[AlertState, ...] = ("returned_unacknowledged", "latched_unacknowledged", "latched_acknowledged")
HELD: tuple[AlertState, ...] = ("shelved", "suppressed_by_design", "out_of_service")
STANDING: tuple[AlertState, ...] = (*ACTIVE, *GONE)
"""States that need a person; the others are held back on purpose, or over."""
UNACKNOWLEDGED: tuple[AlertState, ...] = tuple(
    state for state in STANDING if state.endswith("unacknowledged")
)


def rank(state: AlertState, priority: Priority) -> int:
    """Larger is worse: what holds now, then what has gone unseen, then what is held back, then what is over.

    Within each the priority, and within that what nobody has acknowledged. Equal ranks: the newest first.
    """
    group = 3 if state in ACTIVE else 2 if state in GONE else 1 if state in HELD else 0
    return 100 * group + 10 * (1 + PRIORITIES.index(priority)) + (state in UNACKNOWLEDGED)
