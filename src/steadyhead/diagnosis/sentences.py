"""What was seen, in words and numbers: magnitude, evidence sentences and traits of each condition."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from steadyhead.conditions.sensor_fault import KIND_NAMES
from steadyhead.diagnosis.phrases import duration_text, kv_text, percent
from steadyhead.engine import Change
from steadyhead.profile.model import Profile
from steadyhead.types import Condition
from steadyhead.units import UnitSystem


@dataclass(frozen=True, slots=True)
class Telling:
    """What a condition says of itself at the moment it is raised."""

    magnitude: dict[str, float]
    evidence: tuple[str, ...]
    traits: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """A change with what its sentences need."""

    change: Change
    profile: Profile
    units: UnitSystem

    def number(self, name: str) -> float:
        """A number of the scene record."""
        return float(self.change.scene[name])

    def kpa(self, value: float) -> str:
        """Pressure in the reader's unit."""
        return self.units.pressure_text(value)

    def lps(self, value: float) -> str:
        """Flow in the reader's unit."""
        return self.units.flow_text(value)

    @property
    def set_kpa(self) -> float:
        """Typical set pressure."""
        return self.profile.set_pressure.typical_kpa

    def departure(self) -> str:
        """Outlet against expectation, as a sentence."""
        gap = self.number("departure_kpa")
        side = "above" if gap > 0 else "below"
        return (
            f"Outlet {self.kpa(self.number('outlet_kpa'))} is {self.kpa(abs(gap))} {side} the "
            f"{self.kpa(self.number('expected_kpa'))} learned for this flow, hour and inlet "
            f"({percent(abs(gap) / self.set_kpa)} of set)."
        )

    def inlet(self) -> str:
        """What the inlet offers."""
        need = self.number("inlet_kpa") - self.number("expected_kpa")
        return f"Inlet {self.kpa(self.number('inlet_kpa'))} leaves {self.kpa(need)} of differential to work with."


def _drift(s: Seen) -> Telling:
    d = s.number("drift") * s.set_kpa
    since = duration_text(s.change.at_s - float(s.change.held["since_s"]))
    moving = (
        "The valve still answers demand, so it regulates, but to another pressure."
        if s.number("is_regulating") > 0
        else "Demand moved too little lately to prove that the valve still answers it."
    )
    return Telling(
        {"departure_kpa": d, "departure_share": d / s.set_kpa},
        (
            f"While regulating, the outlet has stood {s.kpa(abs(d))} ({percent(abs(d) / s.set_kpa)} of set) "
            f"{'above' if d > 0 else 'below'} what was learned, over the last {since} or longer.",
            moving,
            f"It came on gradually; limit for this station {percent(s.profile.thresholds.drift_share)} of set, "
            "from its own history and the false-alert budget.",
            "Flow cannot tell a drifting transmitter from a drifting pilot: compare with a gauge first.",
        ),
        {"direction": "up" if d > 0 else "down"},
    )


def _creep(s: Seen) -> Telling:
    way = s.number("way")
    lock = s.profile.lock_up
    return Telling(
        {"way_share": way, "rise_kpa": s.number("outlet_kpa") - s.number("lock_kpa")},
        (
            f"With no flow for {duration_text(s.number('zero_s'))} the outlet has risen from lock-up "
            f"{s.kpa(s.number('lock_kpa'))} to {s.kpa(s.number('outlet_kpa'))}: {percent(way)} of the way to the inlet "
            f"at {s.kpa(s.number('inlet_kpa'))}.",
            f"In {lock.closed_nights} closed periods learned, the highest was {percent(lock.way_high)} of the way.",
        ),
    )


def _sag(s: Seen) -> Telling:
    gap = s.number("departure_kpa")
    evidence = [s.departure(), s.inlet()]
    if s.profile.has_flow:
        evidence.append(
            f"Effective {kv_text(s.number('kv'), s.units)} at {s.lps(s.number('flow_lps'))}; this flow needs "
            f"{kv_text(s.number('kv_need'), s.units)} to hold the set, and the station has reached "
            f"{kv_text(s.profile.kv.reached_m3h, s.units)}."
        )
    if s.number("is_fixed") > 0:
        evidence.append(
            f"{percent(s.number('fixed'))} of the recent movement is explained by an opening that does not "
            "change: the outlet gives way as demand moves."
        )
    return Telling({"departure_kpa": gap, "departure_share": gap / s.set_kpa}, tuple(evidence))


def _hunting(s: Seen) -> Telling:
    swing = float(s.change.held["size"])
    resolved = float(s.change.held["kind"]) == 1.0
    shortest = 4 * s.profile.step_s
    first = f"Outlet swings {s.kpa(swing)} peak to peak ({percent(swing / s.set_kpa)} of set)"
    magnitude = {"swing_kpa": swing, "swing_share": swing / s.set_kpa}
    if resolved:
        magnitude["period_s"] = s.number("period_s")
        first += f" with a period of {duration_text(s.number('period_s'))}, {s.number('cycles'):.0f} regular periods in a row."
    else:
        first += (
            f", judged from scatter {s.number('move_kpa') / s.profile.scatter.move_kpa:.1f} times the usual."
        )
    evidence = [
        first,
        f"Sampling of {s.profile.step_s} s resolves periods of {duration_text(shortest)} and longer.",
    ]
    if not resolved:
        evidence.append(
            "The period is not resolved, so this is weaker evidence: scatter alone, not a counted beat."
        )
    if s.profile.has_flow:
        evidence.append(
            f"Outlet and flow move together (correlation {s.number('with_flow'):.2f}); changing demand would "
            "move them apart."
        )
    if s.profile.has_inlet:
        evidence.append(f"The inlet does not lead it (correlation {s.number('with_inlet'):.2f}).")
    return Telling(magnitude, tuple(evidence), {"resolved": "yes" if resolved else "no"})


def _slow(s: Seen) -> Telling:
    stray = s.number("slow_share") * s.set_kpa
    return Telling(
        {"stray_kpa": stray, "stray_share": stray / s.set_kpa},
        (
            f"For a usual change of demand of {s.lps(s.profile.rhythm.change_lps)} within ten minutes the outlet "
            f"now strays {s.kpa(stray)} ({percent(stray / s.set_kpa)} of set) and then comes back.",
            f"The limit for this station, from its own history, is {percent(s.profile.thresholds.slow_share)} of set.",
        ),
    )


def _set_changed(s: Seen) -> Telling:
    step = s.number("fast") * s.set_kpa
    return Telling(
        {"step_kpa": step, "step_share": step / s.set_kpa},
        (
            f"The outlet stepped by {s.kpa(step)} ({percent(step / s.set_kpa)} of set) and has been held there since.",
            "It is held as well as before, which speaks for a hand on the pilot or a new schedule, not for a fault.",
            "A transmitter that jumped looks the same from here.",
        ),
        {"direction": "up" if step > 0 else "down"},
    )


def _starved(s: Seen) -> Telling:
    gap = s.number("departure_kpa")
    return Telling(
        {"departure_kpa": gap, "differential_kpa": s.number("inlet_kpa") - s.number("outlet_kpa")},
        (s.departure(), s.inlet() + " That is too little: the supply is short, not the valve."),
    )


def _excess(s: Seen) -> Telling:
    over = s.number("flow_lps") - s.number("flow_usual_lps")
    return Telling(
        {"flow_over_lps": over, "flow_lps": s.number("flow_lps")},
        (
            f"Flow {s.lps(s.number('flow_lps'))} against {s.lps(s.number('flow_usual_lps'))} usual at this hour "
            f"(98 % of such hours stay below {s.lps(s.number('flow_high_lps'))}).",
            f"The highest learned at any hour is {s.lps(s.profile.rhythm.highest_lps)}.",
        ),
    )


def _sensor(s: Seen) -> Telling:
    kind = KIND_NAMES[int(s.change.held["kind"])]
    step_s = s.profile.step_s
    told = {
        "stuck": f"The same value for {duration_text(max(s.number('still_outlet_s'), s.number('still_inlet_s'), 0))}; "
        f"the longest run learned is {duration_text(s.profile.scatter.still_limit_s + step_s)}.",
        "spiking": "Single samples jump away and come back at once, again and again.",
        "out of range": "Readings lie outside anything a distribution main can do.",
        "swapped": "Outlet reads what the inlet usually does, and the inlet what the outlet does.",
        "scaled": "Outlet stands off by a factor between two pressure units.",
        "crossed": "Inlet reads below outlet while water flows, which no water does.",
        "meter dead": f"The meter reads zero for {duration_text(s.number('zero_s'))} at hours that always had flow, "
        "while the outlet regulates as ever.",
        "offset": "Outlet jumped further than a pilot is ever turned in one go, while flow went on as usual.",
        "inlet scaled": "Inlet stands off by a factor between two pressure units while the outlet is held.",
    }[kind]
    now = (
        f"Now: outlet {s.kpa(s.number('outlet_kpa'))}, inlet {s.kpa(s.number('inlet_kpa'))}, learned set "
        f"{s.kpa(s.set_kpa)}, usual inlet {s.kpa(s.profile.droop.inlet_kpa)}."
    )
    return Telling({}, (told, now), {"kind": kind.replace(" ", "_")})


def _telemetry(s: Seen) -> Telling:
    silence = s.number("missing_s")
    return Telling({"silent_s": silence}, (f"No outlet pressure for {duration_text(silence)}.",))


def _held_shut(s: Seen) -> Telling:
    near = s.number("neighbour_kpa")
    follow = (
        f"It stands where the neighbour's outlet is, {s.kpa(near)}."
        if near == near
        else "No neighbour is logged in this zone, so which feed holds it is not known."
    )
    return Telling(
        {"departure_kpa": s.number("departure_kpa")},
        (
            f"No flow for {duration_text(s.number('zero_s'))}, with the outlet above its set.",
            s.departure(),
            follow,
        ),
    )


_FEATURES = ("outlet level", "fast movement", "flow for the hour", "inlet level", "Kv for the flow")


def _unfamiliar(s: Seen) -> Telling:
    novelty = s.profile.novelty
    names = ""
    if novelty is not None:
        z = [
            abs(float(m) - c) / w
            for m, c, w in zip(s.change.scene["h_mean"], novelty.center, novelty.scale, strict=True)
        ]
        order = sorted(range(len(z)), key=lambda i: -z[i])[:2]
        names = " and ".join(_FEATURES[i] for i in order)
    return Telling(
        {"distance_ratio": s.number("novel")},
        (
            f"For {s.number('novel_hours'):.0f} hours the station has looked like none of the hours learned; "
            f"what stands out is {names}.",
            "Nothing that has a name here fits.",
        ),
    )


_TELL: dict[Condition, Callable[[Seen], Telling]] = {
    "drift": _drift,
    "creep": _creep,
    "failure_to_open": _sag,
    "hunting": _hunting,
    "failure_to_close": _sag,
    "slow_response": _slow,
    "set_changed": _set_changed,
    "inlet_starved": _starved,
    "excess_demand": _excess,
    "sensor_fault": _sensor,
    "telemetry_loss": _telemetry,
    "held_shut": _held_shut,
    "unfamiliar": _unfamiliar,
}


def tell(change: Change, profile: Profile, units: UnitSystem) -> Telling:
    """Magnitude, evidence and traits of a raised condition, pressures and flows in the reader's units."""
    return _TELL[change.condition](Seen(change, profile, units))


def facts(change: Change, profile: Profile) -> dict[str, float]:
    """Numbers for hints and plots: see ``diagnosis.hints`` for the names."""
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
    if change.condition == "creep":
        numbers["closed_from_s"] = change.at_s - float(scene["zero_s"])
        numbers["closed_to_s"] = float(change.at_s)
    if change.condition == "set_changed":
        numbers["set_before_kpa"] = float(scene["set_now_kpa"])
        numbers["set_after_kpa"] = float(
            scene["set_now_kpa"] + scene["fast"] * profile.set_pressure.typical_kpa
        )
    if change.condition == "telemetry_loss":
        numbers["silent_from_s"] = change.at_s - float(scene["missing_s"])
    return {name: value for name, value in numbers.items() if value == value}
