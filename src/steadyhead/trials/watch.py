"""Learn and watch one case as a user would, and keep what matters for scoring."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np

from steadyhead.errors import LearningError
from steadyhead.profile.learn import learn
from steadyhead.service import scan_station
from steadyhead.trials.cases import Case, known_of
from steadyhead.trials.runs import CaseRun, CaseTruth


@dataclass(frozen=True, slots=True)
class Raised:
    """One alert of a case.

    raised_s, ended_s : data times, seconds since 1970-01-01 UTC
    departure : how far the outlet then was from the healthy twin's, median of the hour before, share of set
    """

    condition: str
    raised_s: int
    ended_s: int | None
    confidence: float
    departure: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a case was and what was said of it.

    judged_days : length of the judged span that had readings
    learn_s, scan_s, n_rows : cost [s of computing]
    failed : why nothing could be learned, or empty
    """

    case: Case
    truth: CaseTruth
    alerts: tuple[Raised, ...]
    judged_days: float
    learn_s: float = 0.0
    scan_s: float = 0.0
    n_rows: int = 0
    failed: str = ""
    withheld: tuple[str, ...] = field(default=())


def watch(run: CaseRun) -> Outcome:
    """Learn from the first span, judge the second."""
    learning, judged = run.learning, run.judged
    days = len(judged) * judged.step_s / 86400.0
    begun = time.perf_counter()
    try:
        profile = learn(learning, known_of(run.case))
    except LearningError as exc:
        return Outcome(run.case, run.truth, (), days, failed=str(exc))
    learned = time.perf_counter()
    # The engine goes on from the learning span, as a live station would.
    found = scan_station(judged, profile)
    done = time.perf_counter()
    alerts = [
        Raised(v.condition, v.raised_s, v.ended_s, v.confidence, departure_at(run, v.raised_s)) for v in found
    ]
    return Outcome(
        run.case,
        run.truth,
        tuple(sorted(alerts, key=lambda a: a.raised_s)),
        days,
        learned - begun,
        done - learned,
        len(learning) + len(judged),
        withheld=tuple(profile.withheld),
    )


def departure_at(run: CaseRun, at_s: float) -> float:
    """Median departure of the true outlet from the twin's in the hour before; NaN outside the judged span."""
    rows = (run.minutes_s < at_s) & (run.minutes_s >= at_s - 3600.0)
    return float(np.median(run.departure[rows])) if rows.any() else float("nan")
