"""Outcomes made by hand, small enough to score in the head."""

from __future__ import annotations

from steadyhead.trials.cases import Case, Happening
from steadyhead.trials.runs import CaseTruth
from steadyhead.trials.watch import Outcome, Raised

START_S = 1_700_006_400  # 2023-11-15 00:00 UTC
LEARN_DAYS, TEST_DAYS = 10, 10
TEST_S = START_S + LEARN_DAYS * 86400
BEGINS_S = TEST_S + 2 * 86400


def alert(condition: str, after_s: float, confidence: float = 0.9, departure: float = 0.03) -> Raised:
    """An alert raised some seconds after the fault or event begins."""
    return Raised(condition, int(BEGINS_S + after_s), None, confidence, departure)


def truth(
    condition: str, severity: str = "clear", passed_after_s: float | None = 600.0, **more: object
) -> CaseTruth:
    """A truth whose effect passed its mild limit some seconds after its cause began."""
    passed_s = None if passed_after_s is None else BEGINS_S + passed_after_s
    plain: dict[str, object] = {"period_s": None, "ambiguous": False, "also_s": {}, "night_ends_s": None}
    return CaseTruth(condition, severity, 0.1, passed_s=passed_s, **(plain | more))  # type: ignore[arg-type]


def outcome(
    group: str, true: CaseTruth, *alerts: Raised, interval_s: int = 60, ends_h: float | None = None
) -> Outcome:
    """A case of a group with its alerts."""
    happening = Happening("something", 48.0, ends_h)
    case = Case(
        id="made-001",
        group=group,
        kind="something",
        wanted=true.condition,
        severity=true.severity,
        seed=1,
        interval_s=interval_s,
        start_s=START_S,
        learn_days=LEARN_DAYS,
        test_days=TEST_DAYS,
        time_zone="UTC",
        station={"set_kpa": 400.0},
        instruments={},
        faults=(happening,) if group == "fault" else (),
        events=(happening,) if group in ("lookalike", "other") else (),
    )
    return Outcome(case, true, alerts, float(TEST_DAYS))


HEALTHY = truth("healthy", "none", None)
