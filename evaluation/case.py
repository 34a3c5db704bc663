"""What every world makes: one station's log as it was sent, and what was truly so.

A world is a folder with a ``cases(n, seed)`` function. Worlds share this record and nothing else: no physics,
no instruments, no idea of an ordinary day.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from steadyhead.config.model import Role, Station
from steadyhead.profile.known import Known
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import grid_block
from steadyhead.readings.series import Series
from steadyhead.types import FloatArray, IntArray

DAY_S = 86400
VALVE_FAULTS = ("drift", "creep", "failure_to_open", "failure_to_close", "hunting", "slow_response")


@dataclass(frozen=True, slots=True)
class Episode:
    """One thing that happened, and what an engineer who sees only the log should call it.

    condition : name of a condition
    cause_s : when the cause began; seen_s : from when on its effect can be seen in the log and is past its
        mild limit; end_s : when it was over (the log's end if never); seconds since 1970-01-01 UTC
    severity : "mild" or "clear"
    also_right : other names that an engineer would accept from this log alone
    size : how large, in the unit that ``words`` names; words : what happened, in one sentence
    """

    condition: str
    cause_s: int
    seen_s: int
    end_s: int
    severity: str
    also_right: tuple[str, ...] = ()
    size: float = float("nan")
    words: str = ""


@dataclass(frozen=True, slots=True)
class Life:
    """Something ordinary that calls for no alert; ``allowed`` names nobody would object to meanwhile."""

    kind: str
    from_s: int
    to_s: int
    allowed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Case:
    """One station: a span to learn from, then a span to judge, in which at most one episode begins.

    group : "fault" (of the valve), "lookalike" (something else that may be taken for one), "healthy"
    kind : what was made, in the world's own word ("strainer choked slowly", "hydrant opened")
    log : by role ("inlet", "outlet", "flow", "command"), times (seconds since 1970 UTC, rising) and values
        (kPa gauge, L/s) as they were sent; a role that is not logged is left out. NaN is a value sent as bad
    neighbour : the same for the highest outlet of the other stations of its zone, where there are any
    step_s : nominal sampling; averaged : values are means of the step; heartbeat_s : reported on change, and
        at least so often; None if sent every step
    nominal_kpa, rated_kv_m3h, cutoff_lps, schedule_kpa : what the registry says, where it says something
    """

    id: str
    world: str
    group: str
    kind: str
    step_s: int
    time_zone: str
    learn_from_s: int
    judge_from_s: int
    end_s: int
    log: Mapping[Role, tuple[IntArray, FloatArray]]
    neighbour: tuple[IntArray, FloatArray] | None = None
    averaged: bool = False
    heartbeat_s: int | None = None
    nominal_kpa: float | None = None
    rated_kv_m3h: float | None = None
    cutoff_lps: float | None = None
    schedule_kpa: tuple[float, ...] = ()
    episode: Episode | None = None
    life: tuple[Life, ...] = field(default=())

    @cached_property
    def readings(self) -> Readings:
        """The whole log on the station's grid, by the product's own way in."""
        station = Station.model_construct(
            name=self.id,
            step_s=self.step_s,
            reporting="sampled" if self.heartbeat_s is None else "on_change",
            heartbeat_s=self.heartbeat_s,
        )
        series = {role: _series(*pair) for role, pair in self.log.items()}
        from_s, to_s = (-(-at // self.step_s) * self.step_s for at in (self.learn_from_s, self.end_s))
        rows, _ = grid_block(series, station, from_s, to_s)
        if self.neighbour is not None:
            beside, _ = grid_block({"outlet": _series(*self.neighbour)}, station, from_s, to_s)
            rows.neighbour_kpa[:] = beside.outlet_kpa
        return rows

    @property
    def known(self) -> Known:
        """What the registry says of the station."""
        return Known(
            time_zone=self.time_zone,
            averaged=self.averaged,
            on_change=self.heartbeat_s is not None,
            nominal_kpa=self.nominal_kpa,
            schedule_kpa=self.schedule_kpa,
            rated_kv_m3h=self.rated_kv_m3h,
            cutoff_lps=self.cutoff_lps,
        )


def _series(times_s: IntArray, values: FloatArray) -> Series:
    return Series(
        np.asarray(times_s, dtype=np.int64),
        np.asarray(values, dtype=np.float64),
        np.zeros(len(times_s), dtype=np.uint16),
    )
