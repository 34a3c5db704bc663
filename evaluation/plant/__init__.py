"""The world of the proving plant: cases of its development sets, as every other world gives them.

The sets' thresholds were chosen in view of these cases, so what the rules reach here says little; as a world
to learn names from it is as good as any.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from evaluation.case import Case, Episode, Life
from evaluation.plant.cases import SETS, known_of, load_cases
from evaluation.plant.runs import CaseRun, load_or_play
from steadyhead.readings.frame import Readings
from steadyhead.types import FloatArray, IntArray

CACHE = Path("out/evaluation/plant")


def make_case(i: int, seed: int) -> Case:
    """Every other case of set number ``seed``: the sets are in order of what happens, and slow to play."""
    return _case(load_or_play(load_cases(SETS[seed])[2 * i], CACHE))


def cases(n: int, seed: int) -> Iterator[Case]:
    """``n`` cases of set number ``seed``."""
    for i in range(n):
        yield make_case(i, seed)


def _case(run: CaseRun) -> Case:
    case, truth, known = run.case, run.truth, known_of(run.case)
    group = "lookalike" if case.group in ("lookalike", "other") else case.group
    episode = None
    life: tuple[Life, ...] = ()
    happens = case.faults or case.events
    if happens and truth.condition != "healthy" and not truth.ambiguous:
        began_s = int(case.begins_s)
        seen_s = int(truth.passed_s) if truth.passed_s is not None else began_s
        episode = Episode(
            truth.condition,
            began_s,
            max(seen_s, began_s),
            int(case.ends_s),
            "mild" if truth.severity == "mild" else "clear",
            tuple(truth.also_s),
            float(truth.size),
            case.kind,
        )
    elif happens:
        group = "healthy"
        life = (Life(case.kind, int(case.begins_s), int(case.ends_s), (truth.condition, *truth.also_s)),)
    made = Case(
        id=case.id,
        world="plant",
        group=group,
        kind=case.kind,
        step_s=case.interval_s,
        time_zone=case.time_zone,
        learn_from_s=case.start_s,
        judge_from_s=case.test_s,
        end_s=case.end_s,
        log=_log(run.readings),
        averaged=known.averaged,
        heartbeat_s=None,
        nominal_kpa=known.nominal_kpa,
        rated_kv_m3h=known.rated_kv_m3h,
        cutoff_lps=known.cutoff_lps,
        episode=episode,
        life=life,
    )
    made.__dict__["readings"] = run.readings
    made.__dict__["known"] = known
    return made


def _log(rows: Readings) -> dict[str, tuple[IntArray, FloatArray]]:
    times = rows.start_s + rows.step_s * np.arange(len(rows), dtype=np.int64)
    columns = {"inlet": rows.inlet_kpa, "outlet": rows.outlet_kpa, "flow": rows.flow_lps}
    there = {role: np.isfinite(values) for role, values in columns.items()}
    return {r: (times[there[r]], columns[r][there[r]]) for r in columns if there[r].any()}
