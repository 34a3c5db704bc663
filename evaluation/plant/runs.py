"""Simulated runs of cases, kept on disk so that scoring again needs no simulation."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import asdict, dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

import steadyhead.proving_plant as plant_package
from evaluation.plant.cases import DAY_S, Case, event_of, row_of, scenario_of
from steadyhead.proving_plant import PlantRun, Scenario, Truth, measure_truth
from steadyhead.proving_plant.simulate import Plant
from steadyhead.proving_plant.truth import EFFECTS, LIMITS, closed_minutes
from steadyhead.readings.frame import CHANNELS, Readings, regular
from steadyhead.types import FloatArray

HELD_MINUTES = {"drift": 30, "hunting": 20, "failure_to_open": 10, "failure_to_close": 15, "creep": 10}
"""How long the plant's measure wants an effect to last; the limit was passed that long before it was proven.
For drift the measure is a median of 60 minutes, which half of them move."""
PHYSICS = ("changing", "district", "events", "faults", "inlet", "instruments", "kernel", "noise", "pilot",
           "scenario", "simulate", "truth", "valve")  # fmt: skip
"""Modules of the plant that a run depends on."""


@dataclass(frozen=True, slots=True)
class CaseTruth:
    """What a case really was.

    condition, severity, size, period_s, ambiguous : as the plant measured them
    passed_s : when the effect passed its mild limit for good enough to count; None if it never did
    also_s : other conditions the same cause reached, and when each passed its mild limit
    night_ends_s : for creep, the end of the first closed night that passes the mild limit
    """

    condition: str
    severity: str
    size: float
    period_s: float | None
    ambiguous: bool
    passed_s: float | None
    also_s: dict[str, float]
    night_ends_s: float | None = None


@dataclass(frozen=True, slots=True)
class CaseRun:
    """A case played out.

    minutes_s : start of each minute of the judged span; departure : outlet minus the healthy twin's over set
    """

    case: Case
    readings: Readings
    truth: CaseTruth
    minutes_s: NDArray[np.int64]
    departure: FloatArray

    @property
    def learning(self) -> Readings:
        """The span to learn from."""
        return self.readings.between(self.case.start_s, self.case.test_s)

    @property
    def judged(self) -> Readings:
        """The span to judge."""
        return self.readings.between(self.case.test_s, self.case.end_s)


def play(case: Case) -> CaseRun:
    """Simulate a case and its healthy twin, and measure what came of it."""
    base, _ = learned_plant(case)
    return play_from(base, case)


def learned_plant(case: Case) -> tuple[Plant, Scenario]:
    """The plant at the end of the learning span, and the quiet scenario it ran under."""
    full = scenario_of(case)
    quiet = replace(full, faults=(), events=tuple(event_of(h, case.test_s) for h in case.before))
    plant = Plant(quiet)
    for _ in range(case.learn_days):
        plant.run_day()
    return plant, quiet


def play_from(base: Plant, case: Case, twin: PlantRun | None = None) -> CaseRun:
    """The judged span of a case, grown from a plant that has run its learning span."""
    full = scenario_of(case)
    changed = base.fork(full)
    for _ in range(case.test_days):
        changed.run_day()
    run = changed.finish()
    if twin is None:
        twin = quiet_twin(base, case) if case.faults or case.events else run
    return measured(case, full, run, twin)


def quiet_twin(base: Plant, case: Case) -> PlantRun:
    """The judged span with nothing happening."""
    plant = base.fork(base.scenario)
    for _ in range(case.test_days):
        plant.run_day()
    return plant.finish()


def measured(case: Case, full: Scenario, run: PlantRun, twin: PlantRun) -> CaseRun:
    """A case's run with its truth, measured against the twin."""
    judged = replace(full, events=tuple(event_of(h, case.test_s) for h in case.events))
    truth = measure_truth(run, twin, judged)
    first = case.learn_days * DAY_S // 60
    departure = (run.minutes.outlet_mean_kpa - twin.minutes.outlet_mean_kpa) / twin.minutes.set_kpa
    return CaseRun(
        case,
        run.readings,
        _case_truth(truth, run, twin, bool(case.faults)),
        run.minutes.times_s[first:],
        departure[first:],
    )


def _case_truth(truth: Truth, run: PlantRun, twin: PlantRun, is_fault: bool) -> CaseTruth:
    """Truth with the times scoring wants; ``passed_s`` is when the limit was passed, not proven."""

    def passed(condition: str, proven_s: float | None) -> float | None:
        if proven_s is None or not is_fault:
            return proven_s
        return proven_s - 60.0 * (HELD_MINUTES.get(condition, 1) - 1)

    also = {}
    for name in truth.also if is_fault else ():
        rows = np.flatnonzero(EFFECTS[name](run.minutes, twin.minutes).mild >= LIMITS[name][0])
        also[name] = passed(name, float(run.minutes.times_s[rows[0]])) or 0.0
    night_ends_s = None
    if truth.condition == "creep" and truth.mild_at_s is not None:
        night_ends_s = _night_end(twin, truth.mild_at_s)
    return CaseTruth(
        truth.condition,
        truth.severity,
        float(truth.size),
        truth.period_s,
        truth.ambiguous,
        passed(truth.condition, truth.mild_at_s),
        also,
        night_ends_s,
    )


def _night_end(twin: PlantRun, at_s: float) -> float:
    """When the closed period that holds ``at_s`` ends."""
    times_s = twin.minutes.times_s
    open_rows = np.flatnonzero(~closed_minutes(twin.minutes) & (times_s > at_s))
    return float(times_s[open_rows[0]]) if open_rows.size else float(times_s[-1])


# On disk.


@cache
def plant_version() -> str:
    """Digest of the source of the plant's physics."""
    digest = hashlib.sha256()
    folder = Path(str(plant_package.__file__)).parent
    for name in PHYSICS:
        digest.update((folder / f"{name}.py").read_bytes())
    return digest.hexdigest()[:16]


def kept_path(case: Case, folder: Path) -> Path:
    """Where the run of a case is kept: by its parameters and by the scenario they become.

    What the registry is told plays no part in the simulation, so it does not ask for another run.
    """
    row = {key: value for key, value in row_of(case).items() if key != "told"}
    text = json.dumps(row, sort_keys=True) + repr(scenario_of(case))
    return folder / f"{case.id}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.npz"


def load_or_play(case: Case, folder: Path, *, any_plant: bool = False) -> CaseRun:
    """The run of a case from disk, or simulated and kept there.

    any_plant : take a kept run even if the plant has changed since
    """
    path = kept_path(case, folder)
    if path.is_file():
        run = _load(case, path, any_plant)
        if run is not None:
            return run
    run = play(case)
    keep(run, folder)
    return run


def keep(run: CaseRun, folder: Path) -> None:
    """Write a run; channels that are all NaN are left out, the rest are held in single precision."""
    folder.mkdir(parents=True, exist_ok=True)
    r = run.readings
    arrays: dict[str, Any] = {
        name: getattr(r, name).astype(np.float32) for name in CHANNELS if np.isfinite(getattr(r, name)).any()
    }
    meta = {"plant": plant_version(), "start_s": r.start_s, "step_s": r.step_s, "truth": asdict(run.truth)}
    path = kept_path(run.case, folder)
    partial = path.with_suffix(f".{os.getpid()}.tmp")
    with partial.open("wb") as file:
        np.savez(
            file,
            meta=np.array(json.dumps(meta)),
            minutes_s=run.minutes_s,
            departure=run.departure.astype(np.float32),
            **arrays,
        )
    partial.replace(path)


def _load(case: Case, path: Path, any_plant: bool) -> CaseRun | None:
    with np.load(path) as stored:
        meta = json.loads(str(stored["meta"]))
        if meta["plant"] != plant_version() and not any_plant:
            return None
        channels = {name: stored[name].astype(np.float64) for name in CHANNELS if name in stored}
        return CaseRun(
            case,
            regular(case.id, meta["start_s"], meta["step_s"], **channels),
            CaseTruth(**meta["truth"]),
            stored["minutes_s"],
            stored["departure"].astype(np.float64),
        )
