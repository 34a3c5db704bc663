"""A week's figure against the weeks before: worse, better, or within what they do by themselves."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import mean, stdev

from steadyhead.weekly.definitions import Definition
from steadyhead.weekly.model import Change

LEAST_BEFORE = 2
SPREADS = 2.0


def least_change(defined: Definition, before: Sequence[float | None], set_kpa: float | None) -> float | None:
    """How far a figure has to be from the mean of the weeks before to be called changed; None if unknown."""
    known = [value for value in before if value is not None]
    if len(known) < LEAST_BEFORE:
        return None
    floors = [
        defined.floor,
        defined.floor_of_set * (set_kpa or 0.0),
        defined.floor_of_before * abs(mean(known)),
        SPREADS * stdev(known),
    ]
    return max(floors)


def change(
    defined: Definition, value: float | None, before: Sequence[float | None], set_kpa: float | None
) -> Change:
    """Whether the figure got worse or better by more than ``least_change``."""
    least = least_change(defined, before, set_kpa)
    if value is None or least is None:
        return "unknown"
    usual = mean(known for known in before if known is not None)
    moved = value - usual
    if defined.worse == "away":
        moved = abs(value) - abs(usual)
        if value * usual < 0.0 and abs(value - usual) > least:  # through zero to the other side
            return "worse" if abs(value) > least else "alike"
    if defined.worse == "none" or abs(moved) <= least:
        return "alike"
    return "worse" if (moved > 0.0) != (defined.worse == "low") else "better"
