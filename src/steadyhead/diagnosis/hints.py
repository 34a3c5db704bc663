"""Numbers worked out for one station and shown with a field check.

A hint needs numbers from the verdict (``Verdict.number``) and from the station registry. Where one is missing
the hint is left out; nothing is guessed. Names looked up in the verdict's facts and magnitude:

    outlet_kpa, inlet_kpa, flow_lps        logged now
    expected_kpa                           outlet learned for this flow, time and inlet (else set_kpa)
    set_kpa                                learned set pressure
    departure_kpa                          outlet minus expected, above zero when too high
    flow_usual_lps                         usual flow of this hour of the week
    kv_m3h, kv_learned_m3h                 effective Kv now, and the highest the station has shown
    period_s                               period of the swing
    closed_from_s, closed_to_s             last closed period, seconds since 1970-01-01 UTC
    lock_up_kpa, way_share                 learned lock-up; share of the way from lock-up to inlet
    neighbour_kpa                          highest outlet of the other stations of the zone
    set_before_kpa, set_after_kpa          level before and after a step
    silent_from_s                          time of the last reading
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from steadyhead.alerts.model import Verdict
from steadyhead.config.model import Station
from steadyhead.diagnosis.phrases import duration_text, kv_text, local_time, percent, times_text, turns_text
from steadyhead.hydraulics import cavitation_index
from steadyhead.units import UnitSystem

HintName = Literal[
    "pilot_turn",
    "pilot_range",
    "gauge_now",
    "inlet_margin",
    "kv_compare",
    "hunting_period",
    "closed_night",
    "cavitation",
    "flow_usual",
    "neighbour_now",
    "set_step",
    "silence",
]

LEAST_TURNS = 1 / 16  # common practice, no source: finer than a hand sets a screw
MANY_TURNS = 2.0  # common practice, no source: a larger correction means something else is wrong
LOW_SIGMA = 1.7  # from memory, of sigma = (P1 - Pv)/(P1 - P2): trouble often starts about here; a valve's own
# limit is found by test, so the hint only sends an ear to the valve
SAMPLES_PER_PERIOD = 4  # common practice, no source: fewer samples per period give the beat, not its size
SAME_KPA = 5.0  # what a gauge can tell apart: accuracy class 0.5 (EN 837-1) over 10 bar


def work_out(name: HintName, verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    """The hint of that name for this station, or None where a number it needs is not known."""
    return _FORMULAS[name](verdict, station, units)


_WHEN = "When these figures were taken the log said"
_SAME_MINUTE = "what the log says in that same minute"


def _expected_kpa(verdict: Verdict) -> float | None:
    expected = verdict.number("expected_kpa")
    return verdict.number("set_kpa") if expected is None else expected


def _pilot_turn(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    departure_kpa = verdict.number("departure_kpa")
    per_turn_kpa = station.pilot.change_per_turn_kpa if station.pilot else None
    if departure_kpa is None or not per_turn_kpa:
        return None
    turns = abs(departure_kpa) / per_turn_kpa
    low = departure_kpa < 0
    about = "about " if turns >= LEAST_TURNS else ""
    start = (
        f"The outlet is {units.pressure_text(abs(departure_kpa))} {'low' if low else 'high'}; at "
        f"this pilot's {units.pressure_text(per_turn_kpa)} per turn that is {about}{turns_text(turns)} "
        f"{'clockwise' if low else 'anticlockwise'}"
    )
    if turns < LEAST_TURNS:
        return f"{start}: too little to set by hand."
    if turns > MANY_TURNS:
        return f"{start}: more than a correction, so find the cause before turning."
    return (
        f"{start}, in small steps, waiting for the outlet to settle; stop if the outlet does not follow. "
        "Clockwise normally raises the set pressure: make sure of it on this pilot with the first small step."
    )


def _pilot_range(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    wanted_kpa = verdict.number("set_kpa")
    pilot = station.pilot
    if wanted_kpa is None or pilot is None or pilot.range_low_kpa is None or pilot.range_high_kpa is None:
        return None
    spring = f"{units.pressure_text(pilot.range_low_kpa)} to {units.pressure_text(pilot.range_high_kpa)}"
    wanted = f"The learned set of {units.pressure_text(wanted_kpa)} lies"
    if pilot.range_low_kpa <= wanted_kpa <= pilot.range_high_kpa:
        return f"{wanted} inside the spring's {spring}."
    return f"{wanted} outside the spring's {spring}: turning the screw will not hold it."


def _gauge_now(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:  # noqa: ARG001
    channel = verdict.traits.get("channel", "outlet")
    if channel in ("inlet", "flow"):
        value = verdict.number("inlet_kpa" if channel == "inlet" else "flow_lps")
        if value is None:
            return None
        said = units.pressure_text(value) if channel == "inlet" else units.flow_text(value)
        other = "a gauge" if channel == "inlet" else "the second reading"
        return f"{_WHEN} {channel} {said}; {other} should agree with {_SAME_MINUTE}."
    outlet_kpa, expected_kpa = verdict.number("outlet_kpa"), _expected_kpa(verdict)
    if outlet_kpa is None:
        return None
    said = f"{_WHEN} outlet {units.pressure_text(outlet_kpa)}"
    if expected_kpa is None or abs(outlet_kpa - expected_kpa) < SAME_KPA:
        return f"{said}; a gauge should agree with {_SAME_MINUTE}."
    learned = units.pressure_text(expected_kpa)
    return (
        f"{said}, learned {learned}. If a gauge agrees with {_SAME_MINUTE}, the pressure is off; if it "
        "shows what was learned, the transmitter is off."
    )


def _inlet_margin(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    inlet_kpa, set_kpa = verdict.number("inlet_kpa"), verdict.number("set_kpa")
    if inlet_kpa is None or set_kpa is None:
        return None
    need_kpa = station.valve.min_differential_kpa
    margin_kpa = inlet_kpa - set_kpa
    side = "above" if margin_kpa >= 0 else "below"
    return (
        f"Inlet {units.pressure_text(inlet_kpa)} is {units.pressure_text(abs(margin_kpa))} {side} the set of "
        f"{units.pressure_text(set_kpa)}; the valve needs about {units.pressure_text(need_kpa)}: "
        f"{'enough' if margin_kpa >= need_kpa else 'not enough to hold set'}."
    )


def _kv_compare(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    now, learned = verdict.number("kv_m3h"), verdict.number("kv_learned_m3h")
    if now is None or not learned or learned <= 0:
        return None
    rated = station.valve.rated_kv_m3h
    text = (
        f"Now {kv_text(now, units)}, {percent(now / learned)} of the {kv_text(learned, units)} it has reached"
    )
    return f"{text} (rated {kv_text(rated, units)})." if rated else f"{text}."


def _hunting_period(verdict: Verdict, station: Station, units: UnitSystem) -> str:  # noqa: ARG001
    step_s = station.step_s
    reach = (
        f"One reading every {duration_text(step_s)} measures swings of "
        f"{duration_text(SAMPLES_PER_PERIOD * step_s)} or longer and shows a trace of those down to "
        f"{duration_text(2 * step_s)}; a faster one shows as a slower one"
    )
    period_s = verdict.number("period_s")
    if period_s is None:
        return f"{reach}."
    clear = period_s >= SAMPLES_PER_PERIOD * step_s
    return (
        f"The log shows a swing every {duration_text(period_s)}. {reach}"
        f"{'' if clear else ', so time it at the station'}."
    )


def _closed_night(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    from_s, to_s = verdict.number("closed_from_s"), verdict.number("closed_to_s")
    if from_s is None or to_s is None or to_s <= from_s:
        return None
    hours = f"{local_time(from_s, station.time_zone)} to {local_time(to_s, station.time_zone, '%H:%M')}"
    text = f"Last closed {hours} ({station.time_zone}); be there in those hours to see it"
    lock_up_kpa, outlet_kpa = verdict.number("lock_up_kpa"), verdict.number("outlet_kpa")
    if lock_up_kpa is None or outlet_kpa is None:
        return f"{text}."
    return (
        f"{text}. Expect a rise from about {units.pressure_text(lock_up_kpa)} towards "
        f"{units.pressure_text(outlet_kpa)}."
    )


def _cavitation(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:  # noqa: ARG001
    inlet_kpa, outlet_kpa = verdict.number("inlet_kpa"), verdict.number("outlet_kpa")
    if inlet_kpa is None or outlet_kpa is None or inlet_kpa <= outlet_kpa:
        return None
    sigma = float(cavitation_index(inlet_kpa, outlet_kpa))
    if sigma >= LOW_SIGMA:
        return None
    return (
        f"{units.pressure_text(inlet_kpa)} in and {units.pressure_text(outlet_kpa)} out is a hard drop "
        f"(cavitation index {sigma:.2f}, (P1 - Pv)/(P1 - P2)): listen for a sound of gravel and ask for the "
        "valve's own limit."
    )


def _flow_usual(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:  # noqa: ARG001
    flow_lps, usual_lps = verdict.number("flow_lps"), verdict.number("flow_usual_lps")
    if flow_lps is None or usual_lps is None:
        return None
    ratio = f"{times_text(flow_lps / usual_lps)} the" if usual_lps > 0 else "against"
    return f"Flow {units.flow_text(flow_lps)}, {ratio} {units.flow_text(usual_lps)} usual at this hour."


def _neighbour_now(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:  # noqa: ARG001
    neighbour_kpa, outlet_kpa = verdict.number("neighbour_kpa"), verdict.number("outlet_kpa")
    if neighbour_kpa is None or outlet_kpa is None:
        return None
    return (
        f"Outlet {units.pressure_text(outlet_kpa)} here; the highest other outlet of the zone is "
        f"{units.pressure_text(neighbour_kpa)}. Stations at different heights read differently."
    )


def _set_step(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:
    before_kpa, after_kpa = verdict.number("set_before_kpa"), verdict.number("set_after_kpa")
    if before_kpa is None or after_kpa is None:
        return None
    return (
        f"From {units.pressure_text(before_kpa)} to {units.pressure_text(after_kpa)}, about "
        f"{local_time(verdict.began_s, station.time_zone)} ({station.time_zone})."
    )


def _silence(verdict: Verdict, station: Station, units: UnitSystem) -> str | None:  # noqa: ARG001
    silent_s = verdict.number("silent_from_s")
    if silent_s is None:
        return None
    return f"Last reading {local_time(silent_s, station.time_zone)} ({station.time_zone})."


_FORMULAS: dict[HintName, Callable[[Verdict, Station, UnitSystem], str | None]] = {
    "pilot_turn": _pilot_turn,
    "pilot_range": _pilot_range,
    "gauge_now": _gauge_now,
    "inlet_margin": _inlet_margin,
    "kv_compare": _kv_compare,
    "hunting_period": _hunting_period,
    "closed_night": _closed_night,
    "cavitation": _cavitation,
    "flow_usual": _flow_usual,
    "neighbour_now": _neighbour_now,
    "set_step": _set_step,
    "silence": _silence,
}
