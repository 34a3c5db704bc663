"""How many alerts, and how long until somebody answered and until they were over."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from steadyhead.types import Condition
from steadyhead.weekly.model import Value

NO_DESK = "logs do not tell who acknowledged"


@dataclass(frozen=True, slots=True)
class Episode:
    """The times of one alert [s since 1970 UTC]; None where it has not happened."""

    condition: Condition
    began_s: int
    raised_s: int
    ended_s: int | None
    acknowledged_s: int | None = None


def alerts(
    episodes: Sequence[Episode], from_s: int, to_s: int, *, has_desk: bool, why_not: str | None
) -> dict[str, Value]:
    """Counts and medians over [from_s, to_s).

    why_not : why the station raised nothing because nothing could be, or None
    """
    names = ("alerts_raised", "alerts_standing", "time_to_acknowledge", "time_to_clear")
    if why_not is not None:
        return dict.fromkeys(names, Value(None, why_not))
    raised = [e for e in episodes if from_s <= e.raised_s < to_s]
    standing = [e for e in episodes if e.raised_s < to_s and (e.ended_s is None or e.ended_s >= to_s)]
    answered = [
        e.acknowledged_s - e.raised_s
        for e in raised
        if e.acknowledged_s is not None and e.acknowledged_s < to_s
    ]
    over = [e.ended_s - e.raised_s for e in episodes if e.ended_s is not None and from_s <= e.ended_s < to_s]
    return {
        "alerts_raised": Value(float(len(raised))),
        "alerts_standing": Value(float(len(standing))),
        "time_to_acknowledge": _acknowledged(answered, len(raised), has_desk=has_desk),
        "time_to_clear": Value(float(median(over))) if over else Value(None, "no alert ended in the week"),
    }


def _acknowledged(answered: list[int], n_raised: int, *, has_desk: bool) -> Value:
    if not has_desk:
        return Value(None, NO_DESK)
    if not n_raised:
        return Value(None, "no alert was raised in the week")
    if not answered:
        return Value(None, "nobody has acknowledged an alert of the week")
    open_ones = n_raised - len(answered)
    return Value(float(median(answered)), note=f"{open_ones} not acknowledged" if open_ones else None)
