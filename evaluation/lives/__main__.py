"""``python -m evaluation.lives``: what the product says in every life, and whether that was wanted.

Arguments name the other worlds to take healthy stations from ("dynamic" unless given), besides the proving
plant; one that is not there is passed over and said so.
"""

from __future__ import annotations

import hashlib
import importlib.util
import sys
from collections import Counter
from collections.abc import Callable

import click
import numpy as np

from evaluation.case import Case
from evaluation.lives import lives
from evaluation.lives.record import Said
from evaluation.lives.stations import Maker, of_world, plant
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.service import scan_station

NOTICES = ("unfamiliar",)
"""Conditions that inform and call nobody."""


def product() -> Callable[[Case], list[Said]]:
    """What the product says of a case; it learns once for lives that share a learning span."""
    learned: dict[str, Profile] = {}

    def ask(case: Case) -> list[Said]:
        rows = case.readings
        span = rows.between(case.learn_from_s, case.judge_from_s)
        columns = (span.outlet_kpa, span.inlet_kpa, span.flow_lps, span.neighbour_kpa)
        key = hashlib.sha256(np.concatenate(columns).tobytes() + repr(case.known).encode()).hexdigest()
        if key not in learned:
            learned[key] = learn(span, case.known)
        return [
            Said(
                v.condition,
                v.raised_s,
                v.ended_s,
                v.began_s,
                v.confidence,
                bool(getattr(v, "is_notice", v.condition in NOTICES)),
            )
            for v in scan_station(rows.between(case.judge_from_s, case.end_s), learned[key])
        ]

    return ask


def _makers(names: list[str]) -> dict[str, Maker]:
    makers: dict[str, Maker] = {"plant": plant}
    for name in names:
        if importlib.util.find_spec(f"evaluation.{name}") is None:
            click.echo(f"There is no world evaluation.{name}; its lives are left out.")
        else:
            makers[name] = of_world(name)
    return makers


def _words(said: list[Said], judge_from_s: int) -> str:
    def one(s: Said) -> str:
        end = "" if s.ended_s is None else f"{(s.ended_s - judge_from_s) / 86400:.1f}"
        name = f"({s.condition})" if s.is_notice else s.condition
        return f"{name} {(s.raised_s - judge_from_s) / 86400:.1f}-{end}"

    few = "; ".join(one(s) for s in said[:4])
    return (few or "nothing") + (f"; and {len(said) - 4} more" if len(said) > 4 else "")


def main(names: list[str]) -> None:
    """Play all lives and print the table: days are counted from the start of the judged span."""
    ask = product()
    right: Counter[str] = Counter()
    told: Counter[str] = Counter()
    stations: dict[str, Case] = {}
    click.echo("| life | station | wanted | said (day raised-ended) | |\n|---|---|---|---|---|")
    for one in lives(_makers(names)):
        said = ask(one.case)
        complaints = one.verdict(said)
        told[one.world] += 1
        right[one.world] += not complaints
        outcome = "wrong: " + "; ".join(complaints) if complaints else "right"
        where = f"{one.world} {one.healthy.id}"
        words = _words(said, one.case.judge_from_s)
        click.echo(f"| {one.life.name} | {where} | {one.expectation.words} | {words} | {outcome} |")
        stations[where] = one.healthy
    click.echo("\n| station, unchanged | said |\n|---|---|")
    for where, healthy in sorted(stations.items()):
        click.echo(f"| {where} | {_words(ask(healthy), healthy.judge_from_s)} |")
    for world, count in told.items():
        click.echo(f"{world}: {right[world]} of {count} right")
    click.echo(f"total: {right.total()} of {told.total()} right")


if __name__ == "__main__":
    main(sys.argv[1:] or ["dynamic"])
