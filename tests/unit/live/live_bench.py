"""A live run on a bench: real journal and intake, a clock that the test moves, judged rows caught."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import Phase

from steadyhead.config import ROLES, Registry, Role, parse_registry
from steadyhead.live.clock import Clock
from steadyhead.live.course import Course
from steadyhead.live.doors import doors_of
from steadyhead.live.intake import Intake, PushAnswer
from steadyhead.live.journal import Journal
from steadyhead.live.order import Order
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.watermarks import Waits, Watermarks
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.readings.rejects import Rejects
from steadyhead.readings.series import Series, StationLog

QUICK = (Phase.explicit, Phase.reuse, Phase.generate)
"""For examples that take a second each: a failing one is shown as it is, not made smaller."""

START_S = 1_772_323_200  # 2026-03-01 00:00 UTC
HORIZON_S = 300

REGISTRY = """
utility: Test bench (invented)
defaults:
  time_zone: Europe/Oslo
  step_s: 60
  tags:
    inlet: {tag: PIN, unit: kPa}
    outlet: {tag: POUT, unit: kPa, low: 0, high: 1500}
    flow: {tag: FLOW, unit: m3/h}
  sources: [{path: "{station}/*.csv"}]
stations:
  solo: {}
  east: {zone: harbour}
  west: {zone: harbour, step_s: 300}
  lazy: {reporting: on_change, heartbeat_s: 1800}
  slow: {step_s: 900}
  quick: {step_s: 15, jitter_s: 2}
  imperial:
    tags:
      inlet: {tag: UP, unit: psi}
      outlet: {tag: DOWN, unit: psi, scale: 0.1}
      flow: {tag: Q, unit: gpm}
"""


def bench_registry() -> Registry:
    return parse_registry(REGISTRY)


class Times:
    """Two clocks in the hands of a test."""

    def __init__(self, wall_s: float = START_S + 86400.0) -> None:
        self.wall_s = wall_s
        self.steady_s = 1000.0

    def pass_(self, seconds: float) -> None:
        self.wall_s += seconds
        self.steady_s += seconds

    def clock(self) -> Clock:
        return Clock(lambda: self.wall_s, lambda: self.steady_s)


class Bench:
    """One run; ``judge`` brings it on by what is in the journal."""

    def __init__(
        self, folder: Path, registry: Registry | None = None, times: Times | None = None,
        horizon_s: int = HORIZON_S, silence_s: int | None = None,
    ) -> None:  # fmt: skip
        self.folder = folder
        self.registry = registry or bench_registry()
        self.times = times or Times()
        self.waits = Waits(horizon_s, silence_s)
        self.clock = self.times.clock()
        self.journal = Journal(folder)
        # no power cuts on the bench, and thousands of commits; the tests with real processes keep FULL
        self.journal._connection.execute("PRAGMA synchronous=OFF")
        self.clock.resume(self.journal.listened_s)
        self.intake = Intake(doors_of(self.registry), self.journal, Quarantine(folder, 1 << 20), self.clock)
        stations = list(self.registry.stations.values())
        self.intake.open(Watermarks(stations, self.waits))
        self.order = Order(stations, self.waits, self.registry.settings.units, self._on_rows)
        self.blocks: dict[str, list[Readings]] = {name: [] for name in self.registry.stations}
        self.done_no = 0

    def _on_rows(self, course: Course, rows: Readings) -> None:
        self.blocks[course.station.name].append(rows)

    def course(self, name: str) -> Course:
        return self.order.courses[self.order.places[name]]

    def push(self, items: Sequence[dict[str, Any]]) -> PushAnswer:
        return self.intake.push_json(json.dumps(items).encode(), "test")

    def judge(self) -> None:
        for record in self.journal.read(self.done_no):
            self.order.take(record)
            self.done_no = record.no
        self.order.settle()

    def pass_(self, seconds: float) -> None:
        """Let time go by and write a clock mark."""
        self.times.pass_(seconds)
        self.intake.mark()
        self.judge()

    def rest(self) -> None:
        """Let the horizon go by, so that everything that came is judged."""
        self.judge()
        self.pass_(self.waits.horizon_s)
        self.pass_(self.waits.horizon_s + 1)

    def rows(self, name: str) -> Readings | None:
        """All rows that were judged so far; they follow on each other."""
        blocks = self.blocks[name]
        for before, after in pairwise(blocks):
            assert before.end_s == after.start_s, f"{name}: rows do not follow on each other"
        if not blocks:
            return None
        return Readings(
            station=name,
            start_s=blocks[0].start_s,
            step_s=blocks[0].step_s,
            flags=np.concatenate([block.flags for block in blocks]),
            **{c: np.concatenate([getattr(block, c) for block in blocks]) for c in CHANNELS},
        )


def same_rows(one: Readings, other: Readings) -> bool:
    """Same times, values and flags, to the last bit."""
    return (
        (one.station, one.start_s, one.step_s, len(one))
        == (other.station, other.start_s, other.step_s, len(other))
        and all(np.array_equal(getattr(one, c), getattr(other, c), equal_nan=True) for c in CHANNELS)
        and np.array_equal(one.flags, other.flags)
    )


def item(station: str, role: str, at_s: float, value: float, **more: Any) -> dict[str, Any]:
    return {"station": station, "role": role, "time": at_s, "value": value, **more}


def items_of(log: StationLog) -> list[dict[str, Any]]:
    """A station's series as a historian would push them; refused values with bad quality."""
    items = []
    for role, series in log.series.items():
        unit = "L/s" if role == "flow" else "kPa"
        for at, value, flags in zip(
            series.times_s.tolist(), series.values.tolist(), series.flags.tolist(), strict=True
        ):
            one = item(log.station, role, at, value, unit=unit)
            if value != value:
                assert flags, "a gap has its reason"
                one |= {"value": 0.0, "quality": "bad"}
            items.append(one)
    return items


def log_of(station: str, values: dict[Role, list[tuple[int, float]]]) -> StationLog:
    """Series from (time, value) pairs, each time once, sorted."""
    series = {}
    for role in ROLES:
        if role in values:
            pairs = sorted(dict(values[role]).items())
            series[role] = Series(
                np.array([t for t, _ in pairs], dtype=np.int64),
                np.array([v for _, v in pairs], dtype=np.float64),
                np.zeros(len(pairs), dtype=np.uint16),
            )
    return StationLog(station, series, Rejects(station))
