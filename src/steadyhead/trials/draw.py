"""Draw a set of cases, once: stations from the set's ranges, faults made as strong as the effect wanted."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import click
import numpy as np

from steadyhead.files import write_atomically
from steadyhead.fleet.crew import results_of
from steadyhead.fleet.place import AUTO, Place
from steadyhead.fleet.told import Tell
from steadyhead.proving_plant import (
    Fault,
    PlantRun,
    Scenario,
    StationDesign,
    measure_truth,
    simulate,
    simulate_with_twin,
)
from steadyhead.proving_plant.draw import draw_design
from steadyhead.proving_plant.truth import LINE_SHARE, SOFT
from steadyhead.trials import happenings as h
from steadyhead.trials.cases import DAY_S, HERE, Case, Happening, row_of, scenario_of, station_row
from steadyhead.trials.plan import Slot, slots
from steadyhead.trials.ranges import SETS, Ranges
from steadyhead.trials.runs import CaseRun, keep, learned_plant, measured, play_from, quiet_twin

ATTEMPTS = 40
HALVINGS = 5
NARROWEST = 0.02
FIRST_SEVERITIES = (0.25, 0.5, 0.75, 1.0)
FULL_RUNS = 3
PROBE_DAYS = 2
RANK = {"none": 0, "mild": 1, "clear": 2}
SHORT = {
    "development": "dev",
    "widened": "wide",
    "shifted": "shift",
    "stretched": "stretch",
    "varied": "vary",
    "broadened": "broad",
    "altered": "alter",
    "renewed": "renew",
    "reworked": "rework",
    "redrawn": "redraw",
    "refreshed": "fresh",
    "evaluation": "eval",
}
SEEDS = {
    "development": 1_000_000,
    "widened": 5_000_000,
    "shifted": 9_000_000,
    "stretched": 13_000_000,
    "varied": 17_000_000,
    "broadened": 21_000_000,
    "altered": 25_000_000,
    "renewed": 29_000_000,
    "reworked": 33_000_000,
    "redrawn": 37_000_000,
    "refreshed": 41_000_000,
    "evaluation": 45_000_000,
}

# Which sampling meets a kind first.
FIRST_TURN = {
    "development": 0,
    "widened": 5,
    "shifted": 9,
    "stretched": 3,
    "varied": 7,
    "broadened": 11,
    "altered": 2,
    "renewed": 8,
    "reworked": 4,
    "redrawn": 10,
    "refreshed": 6,
    "evaluation": 1,
}

NO_FLOW_FINE = ("healthy", "drift", "hunting", "failure_to_open", "set_changed", "inlet_starved")
NO_INLET_FINE = ("healthy", "drift", "set_changed")
NEEDS_NIGHTS = ("creep", "dead_end_warming")


def draw_set(name: str, folder: Path, place: Place = AUTO, only: str = "") -> list[Case]:
    """Draw all cases of a set and write its file; the runs made on the way are kept in ``folder``."""
    ranges = SETS[name]
    todo = [s for s in slots(FIRST_TURN[name]) if only in s.quota.wanted or only in s.quota.kinds]
    # In a mixed order, so that what is written on the way is a fair part of the set.
    todo.sort(key=lambda slot: slot.number * 7919 % 1009)
    drawn: list[Case] = []
    work = partial(_draw, ranges, folder.absolute())
    for done, (slot, case) in enumerate(zip(todo, results_of(work, todo, place), strict=True), start=1):
        if case is None:
            q = slot.quota
            click.echo(f"case {slot.number}: {ATTEMPTS} draws of {q.kinds} gave no {q.severity} {q.wanted}")
        else:
            drawn.append(case)
        if not only and (done % 20 == 0 or done == len(todo)):
            click.echo(f"{done} of {len(todo)} cases drawn")
            write_cases(ranges, sorted(drawn, key=lambda c: c.id))
    return drawn


def write_cases(ranges: Ranges, drawn: list[Case]) -> None:
    """Write the file of a set: one case a line."""
    lines = ",\n".join("  " + json.dumps(row_of(case), separators=(", ", ": ")) for case in drawn)
    text = f'{{"set": "{ranges.name}", "seed": {ranges.seed}, "cases": [\n{lines}\n]}}\n'
    write_atomically(HERE / f"{ranges.name}.json", text)


def _draw(ranges: Ranges, folder: Path, slot: Slot, tell: Tell) -> Case | None:
    """One case that turns out as its slot wants; None if none of the attempts does."""
    del tell
    for attempt in range(ATTEMPTS):
        rng = np.random.default_rng([ranges.seed, slot.number, attempt])
        kind = slot.quota.kinds[(slot.turn + attempt) % len(slot.quota.kinds)]
        seed = SEEDS[ranges.name] + 100 * slot.number + attempt
        case = _candidate(rng, ranges, slot, kind, seed)
        found = _played_as_wanted(rng, case, slot)
        if found is not None:
            keep(found, folder)
            return found.case
    return None


def _candidate(rng: h.Rng, ranges: Ranges, slot: Slot, kind: str, seed: int) -> Case:
    quota = slot.quota
    design = _station(rng, ranges, quota.wanted, kind)
    learn_days, test_days = _days(rng, slot)
    zone = ranges.time_zones[int(rng.integers(len(ranges.time_zones)))]
    start_s = int(rng.integers(*ranges.first_days)) * DAY_S
    at = h.Place(ranges, design, start_s + learn_days * DAY_S, test_days, zone)
    faults: tuple[Happening, ...] = ()
    events: tuple[Happening, ...] = ()
    if quota.group == "fault":
        begin = h.begin_h(rng, test_days)
        ramp_h = h.draw_ramp_h(rng, ranges, quota.wanted, kind, test_days * 24.0 - begin)
        faults = (Happening(kind, begin, ramp_h=ramp_h, severity=h.between(rng, (0.25, 0.95))),)
    else:
        events = h.draw_event(rng, kind, at)
    instruments = _instruments(rng, ranges, slot, kind, design)
    told = [name for name, share in (("nominal", 0.6), ("rated", 0.5), ("cutoff", 0.7), ("schedule", 0.5))
            if rng.random() < share]  # fmt: skip
    return Case(
        id=f"{SHORT[ranges.name]}-{slot.number:03d}",
        group=quota.group,
        kind=kind,
        wanted=quota.wanted,
        severity=quota.severity,
        seed=seed,
        interval_s=slot.interval_s,
        start_s=start_s,
        learn_days=learn_days,
        test_days=test_days,
        time_zone=zone,
        station=station_row(design),
        instruments=instruments,
        told=tuple(told),
        faults=faults,
        events=events,
        before=h.draw_before(rng, at, learn_days),
    )


def _station(rng: h.Rng, ranges: Ranges, wanted: str, kind: str) -> StationDesign:
    def happens(share: float) -> bool:
        return bool(rng.random() < share)

    nights = happens(ranges.zero_night_share)
    nights = nights or wanted in NEEDS_NIGHTS or kind in NEEDS_NIGHTS
    scheduled = happens(ranges.schedule_share) and wanted not in ("set_changed", "held_shut")
    design = draw_design(
        rng,
        ranges.design,
        lively=happens(0.3) or wanted == "hunting",
        closed_nights=nights and kind != "high_cutoff",
        small_valve=happens(ranges.small_valve_share),
        neighbour=happens(ranges.neighbour_share) or wanted == "held_shut",
        schedule=scheduled,
    )
    district = replace(
        design.district,
        hours_noise=h.between(rng, ranges.hours_noise),
        minutes_noise=h.between(rng, ranges.minutes_noise),
    )
    inlet = replace(
        design.inlet,
        daily_swing_kpa=h.between(rng, ranges.swing_kpa),
        wander_kpa=h.between(rng, ranges.wander_kpa),
    )
    return replace(design, district=district, inlet=inlet)


def _days(rng: h.Rng, slot: Slot) -> tuple[int, int]:
    """Days to learn and to judge: shorter at fine sampling, long for healthy stations."""
    healthy = slot.quota.group == "healthy"
    if slot.interval_s == 1:
        return int(rng.integers(6, 9)), 5 if healthy else 4
    if slot.interval_s == 5:
        return int(rng.integers(8, 11)), 10 if healthy else 7
    if slot.interval_s <= 30:
        return int(rng.integers(14, 22)), 30 if healthy else 10
    return int(rng.integers(14, 29)), 45 if healthy else int(rng.integers(10, 15))


def _instruments(rng: h.Rng, ranges: Ranges, slot: Slot, kind: str, design: StationDesign) -> dict[str, Any]:
    wanted = slot.quota.wanted
    mean = design.district.mean_demand_lps
    cutoff = h.between(rng, ranges.cutoff_share) * mean
    if kind == "high_cutoff":
        cutoff = h.night_flow_lps(design) * h.between(rng, (1.1, 1.5))
    row: dict[str, Any] = {
        "pressure_noise_kpa": h.between(rng, ranges.noise_kpa),
        "pressure_resolution_kpa": ranges.resolutions_kpa[int(rng.integers(len(ranges.resolutions_kpa)))],
        "flow_noise_share": h.between(rng, ranges.flow_noise),
        "flow_resolution_lps": 0.1 if mean > 15.0 else 0.01,
        "cutoff_lps": float(f"{cutoff:.3g}"),
        "gap_minutes": h.between(rng, ranges.gap_minutes),
    }
    quick = wanted in ("hunting", "slow_response")  # averages and deadbands hide these by nature
    if slot.interval_s >= 60 and rng.random() < 0.2 and not quick:
        row["averaged"] = True
    elif slot.interval_s <= 60 and rng.random() < 0.15 and not quick:
        row |= {
            "on_change": True,
            "pressure_deadband_kpa": h.between(rng, ranges.deadband_kpa),
            "flow_deadband_lps": float(f"{0.02 * mean:.2g}"),
            "heartbeat_s": int(rng.choice([900, 1800, 3600])),
        }
    is_trait = kind in ("high_cutoff", "dead_end_warming", "flow_meter_dead")
    if rng.random() < 0.1 and wanted in NO_FLOW_FINE and not is_trait:
        row["has_flow"] = False
    elif rng.random() < 0.08 and wanted in NO_INLET_FINE and kind in (wanted, *h.SPRINGS, "set_readjusted"):
        row["has_inlet"] = False
    if design.schedule and rng.random() < 0.4:
        row["has_command"] = True
    return row


def _played_as_wanted(rng: h.Rng, case: Case, slot: Slot) -> CaseRun | None:
    """The run of a case if it turned out as wanted, its fault's severity searched for; else None."""
    if not is_sound(simulate(_probe(case, None))):
        return None
    if case.faults:
        span = severity_span(case, slot)
        if span is None:
            return None
        low, high = span
        case = _with_severity(case, float(rng.uniform(low, high)))
    base, _ = learned_plant(case)
    twin = quiet_twin(base, case)
    if not is_sound(twin):
        return None
    if not case.faults and not case.events:
        return measured(case, scenario_of(case), twin, twin)
    for _ in range(FULL_RUNS if case.faults else 1):
        run = play_from(base, case, twin)
        way = _missed_by(run.truth.condition, run.truth.severity, slot)
        if way == 0:
            return run
        if way is None or not case.faults:
            return None
        now = case.faults[0].severity
        low, high = (now, max(high, 0.5 * (now + 1.0))) if way < 0 else (0.5 * low, now)
        case = _with_severity(case, 0.5 * (low + high))
    return None


def _with_severity(case: Case, severity: float) -> Case:
    return replace(case, faults=(replace(case.faults[0], severity=float(f"{severity:.4g}")),))


def _probe(case: Case, severity: float | None) -> Scenario:
    """Two days of the case's station; the fault, if any, at once and after six hours."""
    full = scenario_of(case)
    fault = () if severity is None else (Fault(case.kind, full.start_s + 6 * 3600.0, 0.0, severity),)
    return replace(full, duration_s=PROBE_DAYS * DAY_S, faults=fault, events=())


def severity_span(case: Case, slot: Slot) -> tuple[float, float] | None:
    """Severities between which a short run turns out as wanted; None if it never does."""
    seen = {s: _probed(case, slot, s) for s in FIRST_SEVERITIES}
    for _ in range(HALVINGS):
        good = [s for s, way in seen.items() if way == 0]
        weak = [s for s, way in seen.items() if way == -1]
        strong = [s for s, way in seen.items() if way != -1 and way != 0]
        low = max(weak, default=0.0)
        if good:
            edges = [
                (low, min(good)),
                (max(good), min((s for s in strong if s > max(good)), default=max(good))),
            ]
            from_s, to_s = max(edges, key=lambda e: e[1] - e[0])
        elif not weak or not strong:
            return None
        else:
            from_s, to_s = low, min((s for s in strong if s > low), default=low)
        if to_s - from_s < NARROWEST:
            break
        seen[0.5 * (from_s + to_s)] = _probed(case, slot, 0.5 * (from_s + to_s))
    good = [s for s, way in seen.items() if way == 0]
    return (min(good), max(good)) if good else None


def _probed(case: Case, slot: Slot, severity: float) -> int | None:
    scenario = _probe(case, severity)
    run, twin = simulate_with_twin(scenario)
    truth = measure_truth(run, twin, scenario)
    return _missed_by(truth.condition, truth.severity, slot)


def _missed_by(condition: str, reached: str, slot: Slot) -> int | None:
    """0 if the truth is as wanted, -1 if too weak, 1 if too strong, None if this station will not do."""
    wanted, severity = slot.quota.wanted, slot.quota.severity
    if condition == wanted:
        return 0 if severity == "any" else RANK[reached] - RANK[severity]
    if condition == "healthy":
        return -1
    if wanted in SOFT:
        return 1  # it went on to something harder
    if condition in SOFT and severity == "clear":
        return -1
    return None


def is_sound(twin: PlantRun) -> bool:
    """Whether a station with nothing wrong holds its set and does not hunt.

    No oscillation of 3 % for 20 minutes, and at most one minute in a thousand off by more than 6 %,
    nights without flow apart.
    """
    m = twin.minutes
    swinging = (m.swing_kpa > 0.03 * m.set_kpa) & (m.beat_share > LINE_SHARE)
    runs = np.convolve(swinging.astype(float), np.ones(20), "valid")
    off = np.abs(m.outlet_mean_kpa - m.set_kpa) > 0.06 * m.set_kpa
    # Where the set moves by schedule the outlet follows with some delay.
    steady = np.convolve(np.abs(np.gradient(m.set_kpa)) > 1e-6, np.ones(61), "same") < 0.5
    return bool(runs.max() < 20.0 and np.mean(off & steady & (m.flow_mean_lps > 0.05)) < 0.001)
