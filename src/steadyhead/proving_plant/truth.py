"""What a scenario really is: condition and severity, by its effect against the healthy twin.

Limits, as shares of set unless said otherwise:

| condition | mild | clear | held for |
|---|---|---|---|
| drift | median departure 2 % | 5 % | 60 min |
| hunting | swing 3 % above the twin's, one line holds 40 % of its power | 10 % | 20 min |
| failure to open | sag 5 % | 15 % | 10 min; clear 30 min |
| failure to close | rise 5 % with flow | 15 % | 15 min |
| creep | closed: 8 % of the way from the twin's outlet to the inlet | 25 % | 10 min |
| slow response | departures of 3 % that pass, at least two in a day | 8 % | 1 min |

A fault is judged only for the conditions its kind can lead to (``FAULTS[kind].leads_to``). If it reaches
several, the order is: any that is clear before any that is mild; drift and slow response last, for they are
often the way to something harder; then whichever was reached first. The others reached stand in ``also``.
Faults come before events.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.ndimage import median_filter, minimum_filter1d

from steadyhead.errors import PlantError
from steadyhead.proving_plant.events import EVENTS, Event
from steadyhead.proving_plant.faults import FAULTS
from steadyhead.proving_plant.scenario import Scenario
from steadyhead.proving_plant.simulate import MinuteTruth, PlantRun
from steadyhead.types import BoolArray, FloatArray

Severity = Literal["none", "mild", "clear"]

SOFT = ("drift", "slow_response")
LIMITS = {
    "drift": (0.02, 0.05),
    "hunting": (0.03, 0.10),
    "failure_to_open": (0.05, 0.15),
    "failure_to_close": (0.05, 0.15),
    "creep": (0.08, 0.25),
    "slow_response": (0.03, 0.08),
}
CLOSED_LPS = 0.05  # below this a station counts as shut; the usual cut-off of its meter
LINE_SHARE = 0.4  # power of the strongest line over all, above which a swing is an oscillation


@dataclass(frozen=True, slots=True)
class Truth:
    """What a run really was.

    condition : one of ``types.CONDITIONS`` or "healthy"
    severity : "clear", "mild" or "none"
    mild_at_s, clear_at_s : when its limits were first passed, seconds since 1970-01-01 UTC; None if never
    ended_s : when its cause ended; None if it lasts
    size : largest value reached: share of set, or for creep share of the way to the inlet; for excess demand
        extra flow over the twin's largest
    period_s : of hunting, else None
    ambiguous : telemetry alone cannot tell it from what it looks like
    also : other conditions the same cause reached
    """

    condition: str
    severity: Severity = "none"
    mild_at_s: float | None = None
    clear_at_s: float | None = None
    ended_s: float | None = None
    size: float = 0.0
    period_s: float | None = None
    ambiguous: bool = False
    also: tuple[str, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Effect:
    """How far a condition went: a value each minute, already held for as long as the condition asks."""

    mild: FloatArray
    clear: FloatArray


def measure_truth(run: PlantRun, twin: PlantRun, scenario: Scenario) -> Truth:
    """Condition, severity and times of a run, measured against its healthy twin.

    Raises PlantError if the two do not cover the same minutes.
    """
    if (
        run.minutes.times_s.shape != twin.minutes.times_s.shape
        or run.minutes.times_s[0] != twin.minutes.times_s[0]
    ):
        raise PlantError(
            f"scenario {scenario.name}: run and twin cover different spans; give both the same duration"
        )
    found = _fault_truth(run, twin, scenario) if scenario.faults else None
    if found is not None:
        return found
    truths = [_event_truth(event, run, twin) for event in scenario.events]
    worst = [t for t in truths if t.condition != "healthy"]
    if not worst:
        return Truth("healthy")
    return min(worst, key=lambda t: t.mild_at_s if t.mild_at_s is not None else np.inf)


def _fault_truth(run: PlantRun, twin: PlantRun, scenario: Scenario) -> Truth | None:
    """Truth of the faults, or None if they had no effect worth a name."""
    may = {condition for fault in scenario.faults for condition in FAULTS[fault.kind].leads_to}
    times_s = run.minutes.times_s
    reached: list[Truth] = []
    for condition in EFFECTS:
        if condition not in may:
            continue
        effect = EFFECTS[condition](run.minutes, twin.minutes)
        mild, clear = LIMITS[condition]
        mild_rows = np.flatnonzero(effect.mild >= mild)
        clear_rows = np.flatnonzero(effect.clear >= clear)
        if not mild_rows.size:
            continue
        reached.append(
            Truth(
                condition,
                "clear" if clear_rows.size else "mild",
                float(times_s[mild_rows[0]]),
                float(times_s[clear_rows[0]]) if clear_rows.size else None,
                None,
                float(np.max(effect.mild)),
                _period_s(run.minutes, mild_rows) if condition == "hunting" else None,
            )
        )
    if not reached:
        return None
    reached.sort(key=lambda t: (t.severity != "clear", t.condition in SOFT, t.mild_at_s))
    first = reached[0]
    return Truth(
        first.condition,
        first.severity,
        first.mild_at_s,
        first.clear_at_s,
        None,
        first.size,
        first.period_s,
        False,
        tuple(t.condition for t in reached[1:]),
    )


def _period_s(minutes: MinuteTruth, rows: np.ndarray) -> float:
    return float(np.median(minutes.beat_s[rows]))


def _held(values: FloatArray, minutes: int) -> FloatArray:
    """Smallest value of the last ``minutes`` rows, so that a limit counts only once held; looks back only."""
    filled = np.where(np.isnan(values), -np.inf, values)
    return np.asarray(
        minimum_filter1d(filled, minutes, mode="constant", cval=-np.inf, origin=(minutes - 1) // 2),
        dtype=np.float64,
    )


def _departure(run: MinuteTruth, twin: MinuteTruth) -> FloatArray:
    return (run.outlet_mean_kpa - twin.outlet_mean_kpa) / twin.set_kpa


def _drift(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    median = median_filter(_departure(run, twin), 60, mode="nearest", origin=29)
    return Effect(np.abs(median), np.abs(median))


def _hunting(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    over = (run.swing_kpa - twin.swing_kpa) / twin.set_kpa
    value = _held(np.where(run.beat_share >= LINE_SHARE, over, 0.0), 20)
    return Effect(value, value)


def _failure_to_open(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    sag = -_departure(run, twin)
    return Effect(_held(sag, 10), _held(sag, 30))


def _failure_to_close(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    # Flow well above a closed night's: near zero flow the same rise is creep.
    flows = twin.flow_mean_lps > max(CLOSED_LPS, 0.15 * float(np.mean(twin.flow_mean_lps)))
    rise = _held(np.where(flows, _departure(run, twin), 0.0), 15)
    return Effect(rise, rise)


def _creep(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    way = np.maximum(run.inlet_mean_kpa - twin.outlet_mean_kpa, 1.0)
    share = (run.outlet_mean_kpa - twin.outlet_mean_kpa) / way
    value = _held(np.where(closed_minutes(twin), share, 0.0), 10)
    return Effect(value, value)


def closed_minutes(twin: MinuteTruth) -> BoolArray:
    """Minutes in which a sound station would be shut: no demand, no flow; shape (n_minutes,)."""
    return np.asarray((twin.demand_lps <= 0.0) & (twin.flow_mean_lps < CLOSED_LPS), dtype=np.bool_)


def _slow_response(run: MinuteTruth, twin: MinuteTruth) -> Effect:
    departure = _departure(run, twin)
    passing = np.abs(departure - median_filter(departure, 361, mode="nearest"))
    # The second largest excursion of the day before, one per hour: one alone proves little.
    hours = passing.reshape(-1, 60).max(axis=1)
    second = np.zeros_like(hours)
    for i in range(hours.size):
        day = np.sort(hours[max(0, i - 23) : i + 1])
        second[i] = day[-2] if day.size > 1 else 0.0
    value = np.repeat(second, 60)
    value = np.where(np.arange(value.size) % 60 == 59, value, 0.0)  # known at the end of its hour
    return Effect(value, value)


EFFECTS: dict[str, Callable[[MinuteTruth, MinuteTruth], Effect]] = {
    "drift": _drift,
    "hunting": _hunting,
    "failure_to_open": _failure_to_open,
    "failure_to_close": _failure_to_close,
    "creep": _creep,
    "slow_response": _slow_response,
}


def _event_truth(event: Event, run: PlantRun, twin: PlantRun) -> Truth:
    state = EVENTS[event.kind].state
    if state == "healthy":
        return Truth("healthy")
    ended_s = float(event.ends_s) if np.isfinite(event.ends_s) else None
    size, begins_s = _event_effect(event, run.minutes, twin.minutes)
    if begins_s is None:
        return Truth("healthy")
    ambiguous = event.kind == "transmitter_drift"
    if ambiguous:
        ended_s = None  # it keeps its error
        if event.channel == "outlet":
            state = "drift"
    if event.kind == "set_readjusted":
        ended_s = None
    clear = size >= (LIMITS["drift"][1] if event.kind != "transmitter_spikes" else 0.0)
    return Truth(
        state,
        "clear" if clear else "mild",
        begins_s,
        begins_s if clear else None,
        ended_s,
        size,
        None,
        ambiguous,
    )


def _event_effect(event: Event, run: MinuteTruth, twin: MinuteTruth) -> tuple[float, float | None]:
    """Size of an event's effect and when it began to show; None if it never did."""
    times_s = run.times_s
    set_kpa = float(np.median(twin.set_kpa))
    lasting = (times_s >= event.begins_s) & (times_s < event.ends_s)
    state = EVENTS[event.kind].state
    if event.kind == "transmitter_drift":
        share = abs(event.size) / set_kpa
        span = event.ends_s - event.begins_s
        if share < LIMITS["drift"][0] or not np.isfinite(span):
            return share, event.begins_s if share >= LIMITS["drift"][0] else None
        return share, event.begins_s + span * LIMITS["drift"][0] / share
    if event.kind == "transmitter_offset":
        share = abs(event.size) / set_kpa
        return share, event.begins_s if share >= LIMITS["drift"][0] else None
    if state in ("sensor_fault", "telemetry_loss"):
        return 1.0, event.begins_s
    if state == "set_changed":
        return abs(event.size) / 100.0, _first(np.abs(run.set_kpa - twin.set_kpa) > 0.0, times_s)
    if state == "held_shut":
        held = lasting & (run.flow_mean_lps < CLOSED_LPS) & (twin.flow_mean_lps > 2.0 * CLOSED_LPS)
        return event.size / 100.0, _first(_held(held.astype(np.float64), 10) > 0.5, times_s)
    if state == "inlet_starved":
        sag = np.where(lasting, -_departure(run, twin), 0.0)
        return float(sag.max()), _first(_held(sag, 5) >= LIMITS["drift"][0], times_s)
    if state == "excess_demand":
        usual = float(np.quantile(twin.flow_mean_lps, 0.995))
        extra = np.where(lasting, run.flow_mean_lps - twin.flow_mean_lps, 0.0)
        return float(extra.max() / usual), _first(_held(extra, 5) >= 0.2 * usual, times_s)
    missed = np.abs(run.flow_mean_lps - twin.flow_mean_lps) / np.maximum(twin.flow_mean_lps, CLOSED_LPS)
    missed = np.where(lasting, missed, 0.0)
    return float(missed.max()), _first(_held(missed, 10) >= 0.05, times_s)


def _first(is_so: BoolArray, times_s: np.ndarray) -> float | None:
    rows = np.flatnonzero(is_so)
    return float(times_s[rows[0]]) if rows.size else None
