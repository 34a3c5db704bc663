"""The answer of a proof in sentences: the result, what to do, then before and after, figure by figure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

from steadyhead.desk.measures import Bounds, Regulation
from steadyhead.diagnosis.phrases import percent
from steadyhead.store.tables import ProofResult
from steadyhead.types import Condition
from steadyhead.units import UnitSystem, from_working

_OPENING = {
    "pass": "The repair holds: since then the station regulates as it was learned.",
    "not_yet": "Not yet: the station does not regulate as it was learned.",
    "cannot_tell": "This cannot be told yet.",
}
REASONS = {
    "profile_is_newer": (
        "The profile was learned from readings after the repair, so comparing with it would prove nothing; "
        "compare with the profile that was in use before."
    ),
    "nothing_after": (
        "There is no hour after the repair in which the station regulated with its inlet high enough; look "
        "again when there is."
    ),
    "too_short": (
        "Too little has been seen since the repair; look again when a whole day of readings is there."
    ),
    "no_closed_night": (
        "No closed night has been seen since the repair, so lock-up is not proved; look again after the next "
        "one."
    ),
    "held_share": "The set pressure is not held in enough of the hours.",
    "departure_kpa": "The outlet still stands away from what was learned.",
    "lock_up_rise_kpa": "When shut, the outlet rises further than it used to.",
    "response_kpa": "The outlet strays too far when demand changes.",
    "scatter_kpa": "The outlet scatters more than it used to.",
    "swing_kpa": "The outlet still swings.",
    "beat_kpa": "The outlet moves to and fro faster than sampling resolves.",
}


@dataclass(frozen=True, slots=True)
class Told:
    """All that the sentences speak of."""

    result: ProofResult
    reasons: tuple[str, ...]
    condition: Condition
    before: Regulation
    after: Regulation
    bound: Bounds
    raised: tuple[Condition, ...]
    units: UnitSystem
    learned: tuple[str, int, int]  # version of the profile, and the span it was learned from


def tell(told: Told) -> tuple[str, ...]:
    """The sentences, the result first."""
    return (_OPENING[told.result], *_why(told), *_figures(told), *_remarks(told))


def _why(told: Told) -> Iterator[str]:
    for reason in told.reasons:
        if reason == "raised":
            yield f"Since the repair the readings alone would raise: {_names(told.raised)}."
        elif reason == "another_set":
            yield (
                f"The outlet is held steadily {_by(told.after.departure_kpa or 0.0, told.units)} what was "
                "learned, and not where it stood before the repair: the set pressure seems to have been "
                "changed. If that was meant, learn the station again (relearn) from a span after the repair; "
                "if not, the pilot is not where it should be."
            )
        else:
            yield REASONS[reason]


def _figures(told: Told) -> Iterator[str]:
    before, after, bound = told.before, told.after, told.bound
    near = _small(bound.held_within_kpa, told.units)
    if after.held_share is not None:
        was = "" if before.held_share is None else f"{percent(before.held_share)} of the hours before and "
        yield f"Set pressure held within {near}: {was}{percent(after.held_share)} of the hours after."
    for name, what, wanted in (
        ("departure_kpa", "Outlet against what was learned, median", bound.held_within_kpa),
        ("lock_up_rise_kpa", "Outlet above set when shut", bound.lock_up_rise_kpa),
        ("response_kpa", "Stray at a usual change of demand", bound.response_kpa),
        ("scatter_kpa", "Scatter about the hour's mean", bound.scatter_kpa),
        ("swing_kpa", "Largest counted swing, peak to peak", bound.swing_kpa),
        ("beat_kpa", "Movement too fast to count, peak to peak", bound.beat_kpa),
    ):
        value = getattr(after, name)
        if value is None or wanted is None:
            continue
        was = getattr(before, name)
        earlier = "not known before" if was is None else f"{_small(was, told.units)} before"
        within = f"up to {_small(wanted, told.units)} is usual"
        yield f"{what}: {earlier}, {_small(value, told.units)} after; {within}."


def _remarks(told: Told) -> Iterator[str]:
    yield (
        f"Compared {told.before.hours:.0f} regulating hours before with {told.after.hours:.0f} after; "
        f"closed periods: {told.before.closed} before, {told.after.closed} after."
    )
    version, from_s, to_s = told.learned
    yield f"What is usual was learned from {_day(from_s)} to {_day(to_s)} (profile {version})."
    if told.bound.lock_up_rise_kpa is not None and told.after.closed == 0 and told.result == "pass":
        yield "The station has not been shut since the repair; lock-up was not part of this."
    if told.raised and "raised" not in told.reasons:
        yield f"Also seen since the repair: {_names(told.raised)}."
    if told.result == "pass" and _was_sound(told.before, told.bound):
        yield (
            "In these readings the figures were within bounds before the repair too, so they show that the "
            "station is sound, not that the repair made it so."
        )


def _was_sound(before: Regulation, bound: Bounds) -> bool:
    pairs = (
        (before.departure_kpa, bound.held_within_kpa),
        (before.lock_up_rise_kpa, bound.lock_up_rise_kpa),
        (before.response_kpa, bound.response_kpa),
        (before.scatter_kpa, bound.scatter_kpa),
        (before.swing_kpa, bound.swing_kpa),
        (before.beat_kpa, bound.beat_kpa),
    )
    inside = all(v is None or b is None or abs(v) <= b for v, b in pairs)
    return inside and (before.held_share is None or before.held_share >= 0.95)


def _day(at_s: int) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%d %b %Y")


def _names(conditions: tuple[Condition, ...]) -> str:
    return ", ".join(name.replace("_", " ") for name in conditions)


def _by(kpa: float, units: UnitSystem) -> str:
    return f"{_small(abs(kpa), units)} {'above' if kpa > 0 else 'below'}"


def _small(kpa: float, units: UnitSystem) -> str:
    """A difference of pressure, with one decimal more than a pressure is shown with."""
    decimals = units.pressure_decimals + 1
    value = round(from_working(kpa, units.pressure), decimals) + 0.0  # no "-0.0"
    return f"{value:.{decimals}f} {units.pressure}"
