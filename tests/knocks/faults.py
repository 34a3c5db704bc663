"""Faults drawn from a seed: which, when, for how long, and whether the service is killed meanwhile."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, get_args

Kind = Literal[
    "kill_service",  # kill -9
    "stop_service",  # SIGTERM: an orderly restart
    "freeze_service",  # SIGSTOP for a while, as a machine that is paused or swaps
    "kill_database",  # kill -9 of every process of PostgreSQL
    "stop_database",  # gone for a while
    "kill_broker",  # kill -9: what it had not handed over and not yet written is gone
    "restart_broker",  # in order: it hands over again what was not acknowledged
    "fill_disk",  # of the data folder, to the last byte
    "cap_files",  # no file may grow, which breaks a write in its middle
    "set_clock",  # of the machine, by a second to a day, forwards or backwards
    "kill_all",  # service, database and broker at once, as a power cut but for the disk
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.

    is_up : only once the service accepts readings; else whatever it is doing, such as starting
    after_s : wait before it; lasts_s : until it is mended; amount : of a clock step [s]
    kills : the service is killed too, at this share of ``lasts_s``; None if it is not
    """

    kind: Kind
    is_up: bool
    after_s: float
    lasts_s: float
    amount: float
    kills: float | None

    def __str__(self) -> str:
        more = "" if self.kills is None else f", service killed {self.kills * self.lasts_s:.2f} s into it"
        step = f" by {self.amount:+.0f} s" if self.kind == "set_clock" else ""
        when = "up, " if self.is_up else ""
        return f"{when}{self.after_s:.2f} s later: {self.kind}{step} for {self.lasts_s:.2f} s{more}"


def draw(rng: random.Random, n: int) -> list[Fault]:
    """``n`` faults; each kind comes once before any comes twice."""
    return [_fault(rng, kind) for kind, _ in zip(_kinds(rng), range(n), strict=False)]


def _kinds(rng: random.Random) -> Iterator[Kind]:
    while True:
        yield from rng.sample(KINDS, len(KINDS))


def _fault(rng: random.Random, kind: Kind) -> Fault:
    lasts_s = 0.0 if kind in ("kill_service", "stop_service", "set_clock") else rng.uniform(0.2, 2.5)
    step_s = rng.choice((1.0, 60.0, 3600.0, 86_400.0)) * rng.uniform(0.5, 1.5) * rng.choice((-1, 1))
    is_apart = kind in ("kill_service", "stop_service", "freeze_service", "kill_all")
    kills = None if is_apart or rng.random() < 0.6 else rng.random()
    return Fault(kind, rng.random() < 0.75, rng.uniform(0.0, 1.0), lasts_s, step_s, kills)
