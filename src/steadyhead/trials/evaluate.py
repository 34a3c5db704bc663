"""Both sets and the baselines, and the page that shows them."""

from __future__ import annotations

import datetime as dt
import importlib.metadata
from dataclasses import dataclass
from pathlib import Path

import click
import numpy as np

from steadyhead.files import write_atomically
from steadyhead.fleet.place import Place
from steadyhead.trials import baselines
from steadyhead.trials.cases import DAY_S, Case, load_cases
from steadyhead.trials.page import by_hand, page
from steadyhead.trials.ranges import SETS
from steadyhead.trials.run import watched
from steadyhead.trials.runs import plant_version
from steadyhead.trials.score import (
    YEAR_S,
    Rate,
    Scores,
    Share,
    alerts_within,
    false_alerts,
    healthy_time_s,
    is_found,
    score,
)
from steadyhead.trials.table import summary
from steadyhead.trials.watch import Outcome
from steadyhead.types import VALVE_CONDITIONS

LIBRARIES = ("numpy", "numba", "scikit-learn", "pyod", "river", "adtk", "stumpy")


@dataclass(frozen=True, slots=True)
class Noticed:
    """What a detector that names nothing can be judged on.

    margin : tuned on the development set; NaN for Steadyhead
    delay_h : median from the effect passing its mild limit to the first alert, clear and mild together
    why_absent : why it was not run; the figures are then of nothing
    """

    name: str
    margin: float
    clear: Share
    mild: Share
    false_alerts: Rate
    delay_h: float
    lookalikes: Share
    why_absent: str = ""


@dataclass(frozen=True, slots=True)
class Measured:
    """One set's figures."""

    name: str
    cases: list[Case]
    scores: Scores
    noticed: list[Noticed]


def evaluate(cache: Path, page_path: Path, place: Place, *, with_baselines: bool = True) -> list[Measured]:
    """Measure both sets, print the tables, and write the page."""
    cases = {name: load_cases(name) for name in SETS}
    outcomes = {name: watched(own, cache, place) for name, own in cases.items()}
    scores = {name: score(own) for name, own in outcomes.items()}
    noticed = {name: [noticed_of("Steadyhead", float("nan"), own)] for name, own in outcomes.items()}
    if with_baselines:
        target = scores["development"].false_alerts.per_year
        for name, rows in others(cases, outcomes, target, cache, place).items():
            noticed[name] += rows
    measured = [Measured(name, cases[name], scores[name], noticed[name]) for name in SETS]
    for m in measured:
        click.echo(summary(m.name, m.scores))
        click.echo(noticed_text(m.noticed))
    older = page_path.read_text(encoding="utf-8") if page_path.is_file() else ""
    write_atomically(page_path, page(measured, facts(outcomes), by_hand(older)))
    click.echo(f"written to {page_path}")
    return measured


def others(
    cases: dict[str, list[Case]], outcomes: dict[str, list[Outcome]], target: float, cache: Path, place: Place
) -> dict[str, list[Noticed]]:
    """Every baseline on every set, by set; one that cannot be run here has a row that says why."""
    absent = baselines.absent()
    run = [name for name in baselines.DETECTORS if name not in absent]
    tracks = {name: baselines.tracks_of(own, cache, place, run) for name, own in cases.items()}
    found: dict[str, list[Noticed]] = {name: [] for name in cases}
    for detector in baselines.DETECTORS:
        if detector in absent:
            for rows in found.values():
                rows.append(not_run(detector, absent[detector]))
            continue
        own = [t[detector] for t in tracks["development"]]
        margin = baselines.tuned_margin(own, outcomes["development"], target)
        for name, rows in found.items():
            alerts = baselines.as_outcomes([t[detector] for t in tracks[name]], outcomes[name], margin)
            rows.append(noticed_of(detector, margin, alerts))
    return found


def not_run(name: str, why: str) -> Noticed:
    """The row of a detector that is not there."""
    nothing, nan = Share(0, 0), float("nan")
    return Noticed(name, nan, nothing, nothing, Rate(0, 0.0), nan, nothing, why)


def noticed_of(name: str, margin: float, outcomes: list[Outcome]) -> Noticed:
    """Found shares, false alerts, delay and look-alikes alarmed, whatever the alerts are called."""
    four = [o for o in outcomes if o.case.group == "fault" and o.truth.condition in VALVE_CONDITIONS]
    lookalikes = [o for o in outcomes if o.case.group == "lookalike"]
    delays = [
        (alerts_within(o)[0].raised_s - o.truth.passed_s) / 3600.0
        for o in four
        if o.truth.passed_s is not None and is_found(o)
    ]
    years = sum(healthy_time_s(o) for o in outcomes) / YEAR_S
    return Noticed(
        name,
        margin,
        _found([o for o in four if o.truth.severity == "clear"]),
        _found([o for o in four if o.truth.severity == "mild"]),
        Rate(len(false_alerts(outcomes)), years),
        float(np.median(delays)) if delays else float("nan"),
        _found(lookalikes),
    )


def _found(outcomes: list[Outcome]) -> Share:
    return Share(sum(is_found(o) for o in outcomes), len(outcomes))


def noticed_text(noticed: list[Noticed]) -> str:
    """The comparison for a terminal."""
    lines = [
        "  detector: clear found, mild found, false alerts a year, median delay, look-alikes alarmed (margin)"
    ]
    lines += [
        f"    {n.name:<24} {n.why_absent}" if n.why_absent else
        f"    {n.name:<24} {n.clear.hits:>3}/{n.clear.of} {n.mild.hits:>3}/{n.mild.of} "
        f"{n.false_alerts.per_year:6.2f} {n.delay_h:8.2f} h {n.lookalikes.hits:>4}/{n.lookalikes.of}"
        f"  ({n.margin:.3g})"
        for n in noticed
    ]  # fmt: skip
    return "\n".join(lines)


def _version(name: str) -> str:
    """Empty where it is not installed."""
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return ""


def facts(outcomes: dict[str, list[Outcome]]) -> dict[str, str]:
    """When, with what, and on how much."""
    out = {
        "date": dt.datetime.now(tz=dt.UTC).date().isoformat(),
        "plant": plant_version(),
        "versions": ", ".join(f"{name} {version}" for name in LIBRARIES if (version := _version(name))),
    }
    for name, own in outcomes.items():
        days = sum(o.case.learn_days + o.case.test_days for o in own)
        rows = sum((o.case.learn_days + o.case.test_days) * DAY_S // o.case.interval_s for o in own)
        out[f"{name} size"] = (
            f"{len(own)} cases, {days / 365.25:.1f} station-years, {rows / 1e6:.1f} million rows"
        )
    return out
