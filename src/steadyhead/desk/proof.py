"""Prove the repair: how the station regulated while it was faulty, how it does now, and is that enough.

A pure function of readings and the profile learned while the station was sound. It says "pass" only if every
figure that the profile knows is within its bounds, over a day at least, and the engine would raise nothing.
It is about regulation as telemetry shows it. It does not say that the station is safe or the work complete.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from steadyhead.desk.measures import Bounds, Regulation, bounds, regulation
from steadyhead.desk.proof_words import Told, tell
from steadyhead.engine import State, step
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.store.tables import ProofResult
from steadyhead.types import Condition
from steadyhead.units import UNIT_SYSTEMS, UnitSystem

SETTLE_S = 2 * 3600  # after the repair, for the district to come back and people to leave (common practice)
LEAST_AFTER_H = 20.0  # regulating hours; with a closed night that is a whole day (common practice, no source)
MOST_BEFORE_S = 14 * 86400  # longer ago says nothing of the fault as it was repaired
LEAST_HELD = 0.95  # share of hours
CLOSES_AT_NIGHT = 0.5  # closed periods a day while learning, from which a night without one is unusual
SEAT: tuple[Condition, ...] = ("creep", "failure_to_close", "held_shut")  # cannot be proved without lock-up
ASIDE: tuple[Condition, ...] = ("inlet_starved", "excess_demand", "telemetry_loss", "held_shut", "unfamiliar")
"""Conditions that say nothing against the repaired valve; named in the answer, and no reason to fail it."""


@dataclass(frozen=True, slots=True)
class Question:
    """What was repaired.

    condition : what the station had; began_s : since when, None if it had no alert
    repaired_s : when the work was finished; units : in which people see the answer
    """

    condition: Condition
    repaired_s: int
    began_s: int | None = None
    units: UnitSystem = UNIT_SYSTEMS["kpa_lps"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One compared figure. unit : "kPa" or "share"; wanted : the bound; is_within : None if not judged."""

    before: float | None
    after: float | None
    wanted: float | None
    unit: str
    is_within: bool | None


@dataclass(frozen=True, slots=True)
class Proof:
    """The answer. numbers : JSON values; sentences : the answer first, then figure by figure."""

    result: ProofResult
    numbers: Mapping[str, Any]
    sentences: tuple[str, ...]


def prove(readings: Readings, profile: Profile, question: Question) -> Proof:
    """Whether the repair holds.

    readings : from before the fault began until now; profile : learned before the repair
    """
    before_s = max(question.began_s or 0, question.repaired_s - MOST_BEFORE_S)
    before = regulation(readings.between(before_s, question.repaired_s), profile)
    rest = readings.between(question.repaired_s + SETTLE_S, readings.end_s)
    after, bound = regulation(rest, profile), bounds(profile)
    raised = tuple(dict.fromkeys(c.condition for c in step(State(), rest, profile) if c.is_raised))
    figures = _figures(before, after, bound)
    result, reasons = _decide(figures, before, after, bound, raised, profile, question)
    numbers = {
        "hours_before": round(before.hours, 1),
        "hours_after": round(after.hours, 1),
        "closed_periods_before": before.closed,
        "closed_periods_after": after.closed,
        "held_within_kpa": round(bound.held_within_kpa, 2),
        "raised_after": list(raised),
        "profile_version": profile.version,
        "figures": {name: _rounded(figure) for name, figure in figures.items()},
    }
    learned = (profile.version, profile.from_s, profile.to_s)
    told = Told(result, reasons, question.condition, before, after, bound, raised, question.units, learned)
    return Proof(result, numbers, tell(told))


def _figures(before: Regulation, after: Regulation, bound: Bounds) -> dict[str, Figure]:
    def below(name: str, wanted: float | None) -> Figure:
        value = getattr(after, name)
        within = None if wanted is None or value is None else bool(abs(value) <= wanted)
        return Figure(getattr(before, name), value, wanted, "kPa", within)

    held = None if after.held_share is None else after.held_share >= LEAST_HELD
    figures = {
        "held_share": Figure(before.held_share, after.held_share, LEAST_HELD, "share", held),
        "departure_kpa": below("departure_kpa", bound.held_within_kpa),
        "lock_up_rise_kpa": _lock_up(before, after, bound),
        "response_kpa": below("response_kpa", bound.response_kpa),
        "scatter_kpa": below("scatter_kpa", bound.scatter_kpa),
        "swing_kpa": below("swing_kpa", bound.swing_kpa),
        "beat_kpa": below("beat_kpa", bound.beat_kpa),
    }
    return {name: f for name, f in figures.items() if f.wanted is not None}


def _lock_up(before: Regulation, after: Regulation, bound: Bounds) -> Figure:
    rise, wanted = after.lock_up_rise_kpa, bound.lock_up_rise_kpa
    within = None
    if wanted is not None and rise is not None:
        # as the engine judges creep: a rise has to be large, and a share of the way to the inlet
        within = rise <= wanted or (after.way_share or 0.0) <= bound.way_share
    return Figure(before.lock_up_rise_kpa, rise, wanted, "kPa", within)


def _decide(
    figures: Mapping[str, Figure],
    before: Regulation,
    after: Regulation,
    bound: Bounds,
    raised: tuple[Condition, ...],
    profile: Profile,
    question: Question,
) -> tuple[ProofResult, tuple[str, ...]]:
    """The result and the words for why, of ``proof_words.REASONS``."""
    if profile.to_s > question.repaired_s:
        return "cannot_tell", ("profile_is_newer",)
    if after.hours == 0 or after.departure_kpa is None:
        return "cannot_tell", ("nothing_after",)
    failed = [name for name, figure in figures.items() if figure.is_within is False]
    if _holds_another_set(failed, before, after, bound) or "set_changed" in raised:
        return "cannot_tell", ("another_set",)
    against = [name for name in raised if name not in ASIDE or name == question.condition]
    if failed or against:
        return "not_yet", (*failed, *(["raised"] if against else []))
    waiting = tuple(_waiting(after, bound, profile, question))
    return ("cannot_tell", waiting) if waiting else ("pass", ())


def _holds_another_set(failed: list[str], before: Regulation, after: Regulation, bound: Bounds) -> bool:
    """Only the level is off, it stands still, and it is not the level of before."""
    if "departure_kpa" not in failed or not set(failed) <= {
        "departure_kpa",
        "held_share",
        "lock_up_rise_kpa",
    }:
        return False
    assert after.departure_kpa is not None  # it was judged
    is_still = after.steady_kpa is not None and after.steady_kpa <= bound.held_within_kpa
    if before.departure_kpa is None:
        return is_still
    return is_still and abs(after.departure_kpa - before.departure_kpa) > bound.held_within_kpa


def _waiting(after: Regulation, bound: Bounds, profile: Profile, question: Question) -> Iterator[str]:
    """What has still to be seen before it can pass."""
    if after.hours < LEAST_AFTER_H:
        yield "too_short"
    nights = profile.lock_up.closed_nights / max((profile.to_s - profile.from_s) / 86400.0, 1.0)
    must_close = question.condition in SEAT or nights >= CLOSES_AT_NIGHT
    if bound.lock_up_rise_kpa is not None and must_close and after.closed == 0:
        yield "no_closed_night"


def _rounded(figure: Figure) -> dict[str, Any]:
    plain = asdict(figure)
    return {name: round(v, 4) if isinstance(v, float) else v for name, v in plain.items()}
