"""How long the plot of a year takes: a station's year at one reading a minute, cut into 1,000 points.

    python benchmarks/year_plot.py [stations]

In one run, on the same readings: from the readings as they came (365 days of files), from the 15-minute
pieces that thinning makes of every day, and from the overview of months; then the whole answer of the API,
with the learned band and the alerts. Each is asked for every station, three times over: by the wall
clock, which other work on the machine lengthens, and by the processor's, in which the ways are compared.
Nothing is kept in memory between.
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from steadyhead import service
from steadyhead.api.series import series
from steadyhead.config import parse_registry
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import Readings, regular
from steadyhead.store.profiles import save_profile

DAY_S = 86_400
END_S = 1_767_225_600  # 2026-01-01 00:00 UTC
DAYS = 365
POINTS = 1000
TARGET_MS = 300.0
REGISTRY = """
utility: Made up for measuring
defaults:
  time_zone: UTC
  step_s: 60
  sources: [{{path: "{{station}}.csv"}}]
  tags:
    inlet: {{tag: PT1, unit: kPa}}
    outlet: {{tag: PT2, unit: kPa}}
    flow: {{tag: FT1, unit: L/s}}
stations:
{stations}
"""


def year(station: str, seed: int) -> Readings:
    """A plain year."""
    rng, n = np.random.default_rng(seed), DAYS * 1440
    hour = np.arange(n) % 1440 / 60
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    return regular(station, END_S - DAYS * DAY_S, 60, outlet, inlet_kpa=inlet, flow_lps=flow)


def measured(ask: Callable[[str], Any], names: list[str], times: int = 3) -> tuple[float, float, float]:
    """Median and 95th percentile by the wall clock, and the median by the processor's [ms]."""
    took, used = [], []
    for name in names * times:
        began, worked = time.perf_counter(), time.process_time()
        ask(name)
        took.append(1000 * (time.perf_counter() - began))
        used.append(1000 * (time.process_time() - worked))
    return float(np.median(took)), float(np.percentile(took, 95)), float(np.median(used))


def main(n_stations: int) -> None:
    """Measure and print."""
    names = [f"station_{n:03d}" for n in range(n_stations)]
    registry = parse_registry(REGISTRY.format(stations="\n".join(f"  {name}: {{}}" for name in names)))
    span = END_S - DAYS * DAY_S, END_S
    with tempfile.TemporaryDirectory() as folder:
        settings = RoomSettings(
            data_folder=Path(folder) / "data", profiles=Path(folder) / "profiles", watch_folders=False
        )
        room = open_room(settings, registry)
        archive: Any = room.archive
        for n, name in enumerate(names):
            log = year(name, n)
            archive.append(log)
            learned = learn(log.rows(0, 28 * 1440), service.known(registry.stations[name], registry.settings))
            save_profile(settings.profiles, learned)
        archive.flush()

        def plot(name: str) -> Any:
            return archive.series(name, *span, POINTS)

        ways = {"from the readings": measured(plot, names, 1)}
        archive.thin(END_S)
        find, archive._overview.file_for = archive._overview.file_for, lambda *_: None
        ways["from 15-minute pieces"] = measured(plot, names)
        archive._overview.file_for = find
        ways["from the overview"] = measured(plot, names)
        ways["whole answer of the API"] = measured(lambda name: series(room, name, *span, POINTS), names)
        base = ways["from the overview"][2]
        print(f"{n_stations} stations, {DAYS} days at 1 min, {POINTS} points; load {os.getloadavg()[0]:.1f}")
        for way, (middle, p95, used) in ways.items():
            print(
                f"  {way:24} median {middle:6.0f} ms, p95 {p95:6.0f} ms; processor {used:6.0f} ms, "
                f"{used / base:5.1f} times"
            )
        p95 = ways["whole answer of the API"][1]
        said = "met" if p95 < TARGET_MS else "MISSED"
        print(f"  target: p95 under {TARGET_MS:.0f} ms, {said} at {p95:.0f} ms")
        room.stop()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 4)
