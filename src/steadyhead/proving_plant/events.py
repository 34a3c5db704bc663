"""Things that happen around a sound valve: to set, supply, demand, neighbours, or telemetry.

``size`` is in the unit each kind states. Events on instruments change what is logged and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant.changing import Day
from steadyhead.proving_plant.district import HOUR_S, NightWithout
from steadyhead.proving_plant.noise import stream
from steadyhead.types import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from steadyhead.proving_plant.scenario import StationDesign

EDGE_S = 900.0
"""Supply and neighbours change over a quarter of an hour, as operators and pumps do it."""


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happens.

    kind : a key of EVENTS
    begins_s, ends_s : seconds since 1970-01-01 UTC; no end means it stays
    size : in the unit of its kind
    period_s : for kinds that repeat; None takes the kind's own
    channel : for kinds on one instrument: "outlet", "inlet" or "flow"
    """

    kind: str
    begins_s: float
    ends_s: float = math.inf
    size: float = 0.0
    period_s: float | None = None
    channel: str = "outlet"


Apply = Callable[[Event, Day, "StationDesign", FloatArray], None]
Logged = dict[str, FloatArray]
Tamper = Callable[[Event, Logged, IntArray, int], None]


@dataclass(frozen=True, slots=True)
class EventKind:
    """What a kind means, the state it should be reported as ("healthy": none), and how it acts."""

    meaning: str
    state: str
    apply: Apply | None = None
    tamper: Tamper | None = None
    period_s: float = 0.0


def period_of(event: Event) -> float:
    """Period of a repeating event [s]."""
    return EVENTS[event.kind].period_s if event.period_s is None else event.period_s


def apply_event(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    """Write the event into a day's columns; local_s : local wall clock of each second."""
    kind = EVENTS[event.kind]
    if (
        kind.apply is not None
        and event.begins_s < day.start_s + day.demand_lps.shape[0]
        and event.ends_s > day.start_s
    ):
        kind.apply(event, day, design, local_s)


def tamper_with(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    """Write the event into logged channels ("outlet", "inlet", "flow", "command"), before rounding."""
    kind = EVENTS[event.kind]
    if kind.tamper is not None:
        kind.tamper(event, logged, times_s, seed)


def on_share(event: Event, times_s: FloatArray, edge_s: float = 0.0) -> FloatArray:
    """1 while the event lasts, 0 outside, with edges inside its span; shape of ``times_s``."""
    if edge_s <= 0.0:
        return ((times_s >= event.begins_s) & (times_s < event.ends_s)).astype(np.float64)
    rise = (times_s - event.begins_s) / edge_s
    fall = (event.ends_s - times_s) / edge_s
    return np.clip(np.minimum(rise, fall), 0.0, 1.0)


def _growth(event: Event, times_s: FloatArray) -> FloatArray:
    """0 to 1 over the event's span, then 1."""
    span = event.ends_s - event.begins_s
    if not math.isfinite(span) or span <= 0.0:
        return (times_s >= event.begins_s).astype(np.float64)
    return np.clip((times_s - event.begins_s) / span, 0.0, 1.0)


def _lasting(event: Event, times_s: IntArray) -> BoolArray:
    return np.asarray((times_s >= event.begins_s) & (times_s < event.ends_s), dtype=np.bool_)


# Set, supply, demand.


def _set_readjusted(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del local_s
    share = event.size / 100.0 * np.clip((day.minutes_s - event.begins_s) / 240.0, 0.0, 1.0)
    _shift_set(day, design, share * design.set_kpa)


def _schedule_added(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    hour = np.mod(local_s[::60] / 3600.0, 24.0)
    # Down at 23:00, up at 05:00 local time, each over 5 minutes.
    into_night = np.mod(hour - 23.0, 24.0) * 3600.0
    share = np.clip(np.minimum(into_night / 300.0, (6.0 * 3600.0 - into_night) / 300.0), 0.0, 1.0)
    lower = event.size / 100.0 * design.set_kpa * share * on_share(event, day.minutes_s)
    _shift_set(day, design, -lower)


def _shift_set(day: Day, design: StationDesign, by_kpa: FloatArray) -> None:
    """Move the set on purpose: spring and small valve by as much, whatever drift the spring has."""
    del design
    day.set_kpa += by_kpa
    day.minutes[:, col.SPRING_SET] += by_kpa
    day.minutes[:, col.BYPASS_SET] += by_kpa


def _demand_grown(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del design, local_s
    day.demand_lps *= 1.0 + event.size / 100.0 * _growth(event, day.seconds_s)


def _orifice(edge_s: float) -> Apply:
    def apply(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
        del design, local_s
        day.minutes[:, col.ORIFICE] += event.size * on_share(event, day.minutes_s, edge_s)

    return apply


def _inlet_short(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del local_s
    share = on_share(event, day.seconds_s, EDGE_S)
    target = design.set_kpa * (1.0 - event.size / 100.0) + 0.3 * (day.source_kpa - design.inlet.base_kpa)
    day.source_kpa += share * np.minimum(target - day.source_kpa, 0.0)


def _inlet_waves(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del design, local_s
    phase = 2.0 * np.pi * (day.seconds_s - event.begins_s) / period_of(event)
    day.source_kpa += event.size * np.sin(phase) * on_share(event, day.seconds_s, EDGE_S)


def _square(times_s: FloatArray, begins_s: float, period_s: float, smooth_s: float) -> FloatArray:
    """A wave between 0 and 1 with flanks of about ``smooth_s``."""
    turn = np.sin(2.0 * np.pi * (times_s - begins_s) / period_s)
    return 0.5 + 0.5 * np.tanh(turn * period_s / (2.0 * np.pi * max(smooth_s, 1.0)))


def _pump_cycles(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del design, local_s
    wave = _square(day.seconds_s, event.begins_s, period_of(event), 20.0)
    day.source_kpa += event.size * wave * on_share(event, day.seconds_s, EDGE_S)


def _batch_demand(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del design, local_s
    wave = _square(day.seconds_s, event.begins_s, period_of(event), 4.0)
    day.demand_lps += event.size * wave * on_share(event, day.seconds_s)


def _neighbour_raised(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del local_s
    share = on_share(event, day.minutes_s, EDGE_S)
    target = day.set_kpa * (1.0 + event.size / 100.0)
    neighbour = design.district.neighbour
    usual = neighbour.outlet_kpa if neighbour is not None else 0.0
    day.minutes[:, col.NEIGHBOUR] += share * (target - usual)


def _dead_end_warming(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    """Water that stands takes on the ground's temperature: it swells quickly at first, then hardly at all."""
    night = design.district.night_without or NightWithout()
    stood_s = np.mod(local_s[::60] - HOUR_S * night.from_hour, 24.0 * HOUR_S)
    tau_s = period_of(event)
    per_s = event.size * design.district.compliance / tau_s * np.exp(-stood_s / tau_s)
    day.minutes[:, col.THERMAL] += per_s * on_share(event, day.minutes_s, EDGE_S)


def _bypass_opened(event: Event, day: Day, design: StationDesign, local_s: FloatArray) -> None:
    del local_s
    day.minutes[:, col.HAND_BYPASS_KV] += (
        event.size / 100.0 * design.valve.kv_m3h * on_share(event, day.minutes_s, 120.0)
    )


# Telemetry.


def _drift(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    logged[event.channel] += event.size * _growth(event, times_s.astype(np.float64))


def _stuck(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    rows = np.flatnonzero(_lasting(event, times_s))
    if rows.size:
        logged[event.channel][rows] = logged[event.channel][rows[0]]


def _spikes(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    rows = np.flatnonzero(_lasting(event, times_s))
    if rows.size < 2:
        return
    rng = stream(seed, f"spikes {event.channel}")
    days = (times_s[rows[-1]] - times_s[rows[0]]) / 86400.0
    hit = rng.choice(rows, min(rows.size, int(rng.poisson(event.size * days))), replace=False)
    values = logged[event.channel]
    values[hit] *= 1.0 + rng.choice([-1.0, 1.0], hit.size) * rng.uniform(0.3, 0.9, hit.size)


def _out_of_range(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    logged[event.channel][_lasting(event, times_s)] = event.size


def _offset(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    logged[event.channel][_lasting(event, times_s)] += event.size


def _scaled(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    logged[event.channel][_lasting(event, times_s)] *= event.size


def _swapped(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    rows = _lasting(event, times_s)
    outlet = logged["outlet"][rows].copy()
    logged["outlet"][rows] = logged["inlet"][rows]
    logged["inlet"][rows] = outlet


def _meter_dead(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    logged["flow"][_lasting(event, times_s)] = 0.0


def _data_gap(event: Event, logged: Logged, times_s: IntArray, seed: int) -> None:
    del seed
    rows = _lasting(event, times_s)
    for values in logged.values():
        values[rows] = np.nan


EVENTS: dict[str, EventKind] = {
    "set_readjusted": EventKind(
        "set moved by size % of set within 4 minutes, stays", "set_changed", _set_readjusted
    ),
    "schedule_added": EventKind(
        "set lower by size % of set from 23:00 to 05:00 local", "set_changed", _schedule_added
    ),
    "demand_grown": EventKind("demand grows by size % over the span and stays", "healthy", _demand_grown),
    "main_break": EventKind("hole passing size L/s at the set pressure", "excess_demand", _orifice(60.0)),
    "hydrant": EventKind("hydrant passing size L/s at the set pressure", "excess_demand", _orifice(60.0)),
    "inlet_short": EventKind("source falls to size % below the set pressure", "inlet_starved", _inlet_short),
    "inlet_waves": EventKind(
        "sine of amplitude size kPa on the source", "healthy", _inlet_waves, period_s=45.0
    ),
    "pump_cycles": EventKind(
        "source rises by size kPa in each second half period", "healthy", _pump_cycles, period_s=900.0
    ),
    "batch_demand": EventKind(
        "extra size L/s in each second half period", "healthy", _batch_demand, period_s=300.0
    ),
    "neighbour_raised": EventKind("the neighbour holds size % above our set", "held_shut", _neighbour_raised),
    "dead_end_warming": EventKind(
        "standing water warms: a shut district rises by size kPa in all, time constant period",
        "healthy",
        _dead_end_warming,
        period_s=3600.0,
    ),
    "bypass_opened": EventKind(
        "hand bypass past valve and meter, Kv size % of the valve's", "unfamiliar", _bypass_opened
    ),
    "transmitter_drift": EventKind(
        "channel gains size kPa (L/s) over the span and keeps it", "sensor_fault", tamper=_drift
    ),
    "transmitter_stuck": EventKind(
        "channel repeats its last value; size unused", "sensor_fault", tamper=_stuck
    ),
    "transmitter_spikes": EventKind(
        "size spikes a day of 30 to 90 % on single rows", "sensor_fault", tamper=_spikes
    ),
    "transmitter_out_of_range": EventKind("channel reads size", "sensor_fault", tamper=_out_of_range),
    "transmitter_offset": EventKind("channel reads size kPa (L/s) more", "sensor_fault", tamper=_offset),
    "transmitter_scaled": EventKind(
        "channel reads size times the truth (0.145: psi taken for kPa)", "sensor_fault", tamper=_scaled
    ),
    "tags_swapped": EventKind("inlet and outlet change places; size unused", "sensor_fault", tamper=_swapped),
    "flow_meter_dead": EventKind("flow reads zero; size unused", "sensor_fault", tamper=_meter_dead),
    "data_gap": EventKind("nothing arrives; size unused", "telemetry_loss", tamper=_data_gap),
}
