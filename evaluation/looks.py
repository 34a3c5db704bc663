"""What the engine has to say of the cases of a world, as rows to learn names from and to score names by."""

from __future__ import annotations

import pickle
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib import import_module
from pathlib import Path

import click
import numpy as np

from evaluation.case import Case, Episode, Life
from steadyhead.diagnosis.features import features, vector
from steadyhead.engine import State, step
from steadyhead.errors import LearningError
from steadyhead.profile.learn import learn
from steadyhead.types import FloatArray

WORLDS: dict[str, tuple[tuple[int, int], ...]] = {
    "plant": ((161, 1), (161, 2)),
    "dynamic": ((300, 3), (300, 13)),
    "pulse": ((300, 3), (350, 13)),
    "epanet": ((300, 4), (300, 14)),
}
"""How many cases of which seed are taken of each world."""


@dataclass(frozen=True, slots=True)
class Look:
    """One moment at which the rules raised, cleared or looked again; ``x`` is NaN for a clear."""

    kind: str
    rule: str
    at_s: int
    x: FloatArray


@dataclass(frozen=True, slots=True)
class Watched:
    """A case and all that the rules said of it."""

    id: str
    world: str
    group: str
    kind: str
    judge_from_s: int
    end_s: int
    step_s: int
    has_flow: bool
    episode: Episode | None
    life: tuple[Life, ...]
    looks: tuple[Look, ...]
    names: tuple[str, ...]
    failed: str = ""


def watched(case: Case) -> Watched:
    """Learn from the first span of a case and judge the second."""
    looks: list[Look] = []
    names: tuple[str, ...] = ()
    failed = ""
    try:
        profile = learn(case.readings.between(case.learn_from_s, case.judge_from_s), case.known)
        for change in step(State(), case.readings.between(case.judge_from_s, case.end_s), profile):
            kind = "raised" if change.is_raised else "looked" if change.is_look else "cleared"
            names = names or tuple(features(change, profile))
            x = vector(change, profile, names).astype(np.float32)
            looks.append(Look(kind, change.condition, change.at_s, x))
    except LearningError as exc:
        failed = str(exc)
    return Watched(
        case.id, case.world, case.group, case.kind, case.judge_from_s, case.end_s, case.step_s,
        "flow" in case.log, case.episode, case.life, tuple(looks), names, failed,
    )  # fmt: skip


def _nth(world: str, n: int, seed: int, part: int, parts: int) -> list[Watched]:
    module = import_module(f"evaluation.{world}")
    make = getattr(module, "make_case", None)
    if make is not None:
        return [watched(make(i, seed)) for i in range(part, n, parts)]
    return [watched(case) for i, case in enumerate(module.cases(n, seed)) if i % parts == part]


def gathered(world: str, n: int, seed: int, folder: Path, workers: int = 1) -> list[Watched]:
    """Watched cases of a world, from ``folder`` where they were gathered before."""
    path = folder / f"{world}-{n}-{seed}.pkl"
    if path.is_file():
        with path.open("rb") as file:
            return list(pickle.load(file))  # noqa: S301 our own cache
    begun = time.perf_counter()
    if workers > 1:
        with ProcessPoolExecutor(workers) as pool:
            parts = pool.map(partial(_nth, world, n, seed, parts=workers), range(workers))
            found = [one for some in parts for one in some]
    else:
        found = _nth(world, n, seed, 0, 1)
    folder.mkdir(parents=True, exist_ok=True)
    with path.open("wb") as file:
        pickle.dump(found, file)
    click.echo(f"{path.name}: {len(found)} cases in {time.perf_counter() - begun:.0f} s", err=True)
    return found
