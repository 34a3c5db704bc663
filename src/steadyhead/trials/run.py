"""Play, watch and score a set."""

from __future__ import annotations

import csv
import io
import resource
import time
from functools import partial
from pathlib import Path

import click

from steadyhead.files import write_atomically
from steadyhead.fleet.crew import results_of
from steadyhead.fleet.place import AUTO, Place
from steadyhead.fleet.told import Tell
from steadyhead.trials.cases import Case, load_cases
from steadyhead.trials.runs import load_or_play
from steadyhead.trials.score import Scores, first_alert, is_named_right, score
from steadyhead.trials.table import summary
from steadyhead.trials.watch import Outcome, watch


def run_set(
    name: str,
    cache: Path,
    *,
    place: Place = AUTO,
    only: str = "",
    any_plant: bool = False,
    quiet: bool = False,
) -> Scores:
    """Play, watch and score the cases of a set; prints a line per case and the table."""
    begun = time.perf_counter()
    cases = [c for c in load_cases(name) if only in c.id or only in c.kind or only in c.wanted]
    outcomes = watched(cases, cache, place, any_plant)
    rows = [line_of(o) for o in outcomes]
    _write_csv(cache / f"{name}.csv", rows)
    if not quiet:
        for row in rows:
            click.echo("  ".join(str(v) for v in row.values()))
    scores = score(outcomes)
    click.echo(summary(name, scores))
    computing = sum(o.learn_s + o.scan_s for o in outcomes)
    n_rows = sum(o.n_rows for o in outcomes)
    click.echo(
        f"{len(outcomes)} cases, {n_rows / 1e6:.1f} million rows; learning and judging {computing:.1f} s, "
        f"all in all {time.perf_counter() - begun:.0f} s; peak {peak_mb():.0f} MB"
    )
    return scores


def watched(cases: list[Case], cache: Path, place: Place, any_plant: bool = False) -> list[Outcome]:
    """Outcomes of cases, in their order; runs not yet on disk are simulated first."""
    work = partial(_watched, cache.absolute(), any_plant)
    return list(results_of(work, cases, place))


def _watched(cache: Path, any_plant: bool, case: Case, tell: Tell) -> Outcome:
    del tell
    return watch(load_or_play(case, cache, any_plant=any_plant))


def line_of(outcome: Outcome) -> dict[str, str]:
    """A case and what was said of it, for people who tune."""
    case, truth = outcome.case, outcome.truth
    first = first_alert(outcome)
    right = is_named_right(outcome)
    since = truth.passed_s if truth.passed_s is not None else case.begins_s
    alerts = " ".join(
        f"{a.condition}@{(a.raised_s - case.begins_s) / 3600.0:+.1f}h({a.confidence:.2f})"
        for a in outcome.alerts
    )
    return {
        "id": case.id,
        "group": case.group,
        "kind": case.kind,
        "truth": truth.condition,
        "severity": truth.severity,
        "size": f"{truth.size:.3f}",
        "period_s": f"{truth.period_s:.0f}" if truth.period_s is not None else "-",
        "interval_s": str(case.interval_s),
        "logged": _traits(case),
        "first": first.condition if first is not None else "-",
        "right": {True: "right", False: "WRONG", None: "-"}[right],
        "delay_h": f"{(first.raised_s - since) / 3600.0:.2f}" if first is not None else "-",
        "alerts": alerts or "-",
        "failed": outcome.failed,
    }  # fmt: skip


def _traits(case: Case) -> str:
    """a: averages, c: on change, f: no flow meter, i: no inlet pressure."""
    i = case.instruments
    has = {
        "a": i.get("averaged", False),
        "c": i.get("on_change", False),
        "f": not i.get("has_flow", True),
        "i": not i.get("has_inlet", True),
    }
    return "".join(letter for letter, is_so in has.items() if is_so) or "-"


def _write_csv(path: Path, rows: list[dict[str, str]]) -> None:
    text = io.StringIO()
    if rows:
        writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    write_atomically(path, text.getvalue())


def peak_mb() -> float:
    """Largest memory of this process or a finished child [MB]."""
    own = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
    return max(own, children) / 1024.0
