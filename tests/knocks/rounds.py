"""Rounds of faults until the time is up, each compared with one undisturbed run."""

from __future__ import annotations

import random
import shutil
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from . import faults
from .outcome import Outcome, differences, lost
from .round import Facts, facts, play

Say = Callable[[str], None]


class DifferenceError(AssertionError):
    """A round ended otherwise than the undisturbed run, or did not end."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What to run.

    minutes : rounds are begun for so long, at least one; seed : of the first round, one more for each
    n_faults : in a round; days : of readings sent, all ten if None
    """

    minutes: float
    seed: int
    n_faults: int
    days: float | None = None


@dataclass(slots=True)
class Totals:
    """What was run.

    values : kept in the archive; gone : of them missing or different; again : sendings repeated
    """

    rounds: int = 0
    starts: int = 0
    readings: int = 0
    values: int = 0
    gone: int = 0
    again: int = 0
    alerts: int = 0
    done: Counter[str] = field(default_factory=Counter)


def run(plan: Plan, folder: Path, say: Say) -> Totals:
    """Run rounds. Raises DifferenceError with the seed, the faults and what differs."""
    end = time.monotonic() + 60 * plan.minutes
    about = facts(folder / "facts", plan.days)
    totals = Totals()
    # The undisturbed run has processes of its own, and needs nobody; the first round goes on beside it.
    with ThreadPoolExecutor(1) as beside:
        undisturbed = beside.submit(_undisturbed, folder / "calm", about, say)
        while totals.rounds == 0 or time.monotonic() < end:
            _round(plan.seed + totals.rounds, plan.n_faults, folder, about, undisturbed, totals, say)
    return totals


def _undisturbed(folder: Path, about: Facts, say: Say) -> Outcome:
    calm = play(folder, about, 0, [])
    told = {key: (one["station"], one["condition"]) for key, one in calm.outcome.alerts.items()}
    scanned = {key: tuple(one[:2]) for key, one in about.known.alerts(about.registry).items()}
    if told != scanned:
        raise DifferenceError(f"the undisturbed run tells {told}, scan tells {scanned}")
    say(f"undisturbed: {calm.outcome.values:,} values kept, {len(told)} alerts, {calm.seconds:.0f} s")
    return calm.outcome


def _round(
    seed: int, n_faults: int, folder: Path, about: Facts, undisturbed: Future[Outcome], totals: Totals,
    say: Say,
) -> None:  # fmt: skip
    """Play a round, compare it with the undisturbed run, and count it in."""
    drawn = faults.draw(random.Random(seed), n_faults)
    place = folder / f"round-{seed}"
    listed = "\n  ".join([f"seed {seed}, folder {place}, faults:", *map(str, drawn)])
    try:
        result = play(place, about, seed, drawn)
    except AssertionError as exc:
        raise DifferenceError(f"{exc}\n{listed}\n{_said(place)}") from exc
    calm = undisturbed.result()
    wrong = differences(calm, result.outcome)
    if wrong:
        raise DifferenceError("\n".join([*wrong, f"ways {result.ways}", listed, _said(place)]))
    readings = sum(one.readings for one in result.sent.values())
    again = sum(one.again for one in result.sent.values())
    totals.rounds += 1
    totals.starts += result.starts
    totals.readings += readings
    totals.values += result.outcome.values
    totals.alerts += len(result.outcome.alerts)
    totals.gone += lost(calm, result.outcome)
    totals.again += again
    totals.done += result.done
    say(
        f"seed {seed}: {sum(result.done.values())} faults, {result.starts} starts, "
        f"{readings:,} readings, {again} sendings repeated, all as undisturbed, {result.seconds:.0f} s"
    )
    shutil.rmtree(place, ignore_errors=True)


def _said(place: Path) -> str:
    """The last that the service said."""
    path = place / "said"
    return f"the service said:\n{path.read_text(errors='replace')[-3000:]}" if path.exists() else ""
