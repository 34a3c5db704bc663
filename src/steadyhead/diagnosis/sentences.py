"""What was seen, in words and numbers: magnitude, evidence sentences and traits of each condition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from steadyhead.diagnosis import tell_other, tell_valve
from steadyhead.diagnosis.seen import Seen, Telling
from steadyhead.diagnosis.tell_sensor import sensor
from steadyhead.engine import Change
from steadyhead.profile.model import Profile
from steadyhead.types import Condition
from steadyhead.units import UnitSystem

__all__ = ["Telling", "facts", "tell", "words_of"]

_TELL: dict[Condition, Callable[[Seen], Telling]] = {
    "drift": tell_valve.drift,
    "creep": tell_valve.creep,
    "failure_to_open": tell_valve.fails_to_open,
    "hunting": tell_valve.hunting,
    "failure_to_close": tell_valve.fails_to_close,
    "slow_response": tell_valve.slow,
    "set_changed": tell_other.set_changed,
    "inlet_starved": tell_other.starved,
    "excess_demand": tell_other.excess,
    "sensor_fault": sensor,
    "telemetry_loss": tell_other.telemetry,
    "held_shut": tell_other.held_shut,
    "unfamiliar": tell_other.unfamiliar,
}


def words_of(condition: Condition) -> str:
    """A condition as people say it."""
    return condition.replace("_", " ")


def tell(change: Change, profile: Profile, units: UnitSystem, name: Condition | None = None) -> Telling:
    """Magnitude, evidence and traits of a condition, pressures and flows in the reader's units.

    change : the claim of a rule; name : what it is called, if that is another condition
    """
    name = name or change.condition
    seen = Seen(replace(change, condition=name), profile, units)
    own = seen.change.held
    if name != change.condition and not (own["held_s"] > 0 or own["stands"] > 0):
        return _by_the_whole(seen)
    return _TELL[name](seen)


def _by_the_whole(s: Seen) -> Telling:
    """No single sign of this name stands: what is seen, and that the name comes from all of it together."""
    magnitude: dict[str, float] = {}
    evidence = []
    if s.has("departure_kpa"):
        gap_kpa = s.number("departure_kpa")
        magnitude = {"departure_kpa": gap_kpa, "departure_share": gap_kpa / s.set_kpa}
        evidence.append(s.departure())
    if s.has("inlet_kpa"):
        evidence.append(
            f"Inlet {s.kpa(s.number('inlet_kpa'))}; while learning it was about {s.kpa(s.profile.droop.inlet_kpa)}."
        )
    if s.has("flow_lps"):
        evidence.append(
            f"Flow {s.lps(s.number('flow_lps'))}, where {s.lps(s.number('flow_usual_lps'))} is usual at this hour."
        )
    name = words_of(s.change.condition)
    evidence.append(f"No single sign of {name} stands out; the last hours as a whole are most like it.")
    return Telling(magnitude, tuple(evidence))


def facts(change: Change, profile: Profile, name: Condition | None = None) -> dict[str, float]:
    """Numbers for hints and plots: see ``diagnosis.hints`` for the names."""
    name = name or change.condition
    scene = change.scene
    numbers = {
        name: float(scene[name])
        for name in (
            "outlet_kpa", "inlet_kpa", "flow_lps", "expected_kpa", "departure_kpa", "flow_usual_lps", "neighbour_kpa",
        )
    }  # fmt: skip
    numbers |= {
        "set_kpa": float(scene["set_now_kpa"]),
        "kv_m3h": float(scene["kv"]),
        "kv_learned_m3h": profile.kv.reached_m3h or float("nan"),
        "step_s": float(profile.step_s),
    }
    if profile.lock_up.closed_nights:
        numbers["lock_up_kpa"] = float(scene["lock_kpa"])
    if name == "creep":
        numbers["closed_from_s"] = change.at_s - tell_valve.closed_s(change)
        numbers["closed_to_s"] = float(change.at_s)
    if name == "set_changed":
        numbers["set_before_kpa"] = float(scene["set_now_kpa"])
        numbers["set_after_kpa"] = float(
            scene["set_now_kpa"] + scene["fast"] * profile.set_pressure.typical_kpa
        )
    if name == "telemetry_loss":
        numbers["silent_from_s"] = change.at_s - float(scene["missing_s"])
    return {name: value for name, value in numbers.items() if value == value}
