"""What one station costs, and what a fleet of any size then needs.

    python benchmarks/fleet.py [stations measured] [--fleet 100000] [--step 10] [--days 35]

Stations are copies of a week of the proving plant at the fleet's own interval, each with noise of its own,
rounded as a transmitter rounds and written to Parquet. Everything is measured with one thread by the
processor's clock, after one station that compiles. What is printed under "for the fleet" is those figures
multiplied, by the formulas of docs/fleet.md: it is worked out, not measured.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

for _name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

START_S = 1_746_403_200  # Monday 2025-05-05 00:00 UTC
REGISTRY = """
log_root: logs
defaults:
  time_zone: UTC
  step_s: {step_s}
  tags:
    outlet: {{tag: outlet, unit: kPa}}
    inlet: {{tag: inlet, unit: kPa}}
    flow: {{tag: flow, unit: L/s}}
  sources: [{{path: "{{station}}.parquet"}}]
stations:
"""


def make_fleet(folder: Path, n: int, step_s: int, days: int) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from steadyhead.proving_plant import Instruments, Scenario, simulate
    from steadyhead.proving_plant.draw import draw_design

    design = draw_design(np.random.default_rng(11), closed_nights=True)
    made = simulate(Scenario("bench", design, Instruments(interval_s=step_s), duration_s=7 * 86400, seed=11))
    rows = np.arange(days * 86400 // step_s) % len(made.readings)
    times = pa.array((START_S + step_s * np.arange(len(rows))) * 1000, type=pa.timestamp("ms", tz="UTC"))
    (folder / "logs").mkdir()
    for k in range(n):
        rng = np.random.default_rng(k)
        outlet = np.round(made.readings.outlet_kpa[rows] + rng.normal(0.0, 0.3, len(rows)), 1)
        table = {
            "time": times,
            "outlet": outlet,
            "inlet": np.round(made.readings.inlet_kpa[rows] + rng.normal(0.0, 0.3, len(rows)), 1),
            "flow": np.round(made.readings.flow_lps[rows], 2),
        }
        pq.write_table(pa.table(table), folder / "logs" / f"st_{k:04d}.parquet")
    names = "\n".join(f"  st_{k:04d}: {{}}" for k in range(n))
    (folder / "stations.yaml").write_text(REGISTRY.format(step_s=step_s) + names + "\n")


def cpu(act: Callable[[], object]) -> float:
    """Processor seconds of a call."""
    begun = time.process_time()
    act()
    return time.process_time() - begun


def size_of(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def measured(folder: Path, step_s: int, days: int) -> dict[str, float]:
    """Figures of one station each [s of one core, bytes]."""
    from steadyhead import service
    from steadyhead.archive.archive import Keep
    from steadyhead.archive.embedded import EmbeddedArchive
    from steadyhead.config import load_registry
    from steadyhead.diagnosis.causes import load_knowledge
    from steadyhead.engine import State, ready, step
    from steadyhead.feeds.load import load_readings
    from steadyhead.fleet.lots import lots_of
    from steadyhead.fleet.told import to_nobody
    from steadyhead.profile.learn import learn
    from steadyhead.profile.model import to_json
    from steadyhead.store.profiles import save_profile
    from steadyhead.units import UNIT_SYSTEMS
    from steadyhead.weekly.from_logs import LogSource
    from steadyhead.weekly.over_lots import Judging
    from steadyhead.weekly.week import Week
    from steadyhead.weekly.words import Words

    registry = load_registry(folder / "stations.yaml")
    names = list(registry.stations)
    n = len(names)
    rows = days * 86400 // step_s
    known = service.known(registry.stations[names[0]], registry.settings)
    first = load_readings(registry, stations=names[:1])[0][names[0]]
    service.scan_station(first, learn(first, known))  # compiles

    read = {}
    out = {"rows": rows, "log_bytes_per_row": size_of(folder / "logs") / (n * rows)}
    out["read_s"] = cpu(lambda: read.update(load_readings(registry)[0])) / n
    profiles = {}
    out["learn_s"] = cpu(lambda: profiles.update({k: learn(r, known) for k, r in read.items()})) / n
    out["profile_bytes"] = len(to_json(profiles[names[0]]))
    out["scan_s"] = cpu(lambda: [service.scan_station(r, profiles[k]) for k, r in read.items()]) / n
    for profile in profiles.values():
        save_profile(folder / "profiles", profile)

    prepared = {name: ready(profile) for name, profile in profiles.items()}
    states = {name: State() for name in names}
    minutes = 60
    per = max(1, 60 // step_s)
    blocks = {name: [r.rows(m * per, (m + 1) * per) for m in range(minutes)] for name, r in read.items()}

    def live() -> None:
        for m in range(minutes):
            for name in names:
                step(states[name], blocks[name][m], prepared[name])

    out["judge_minute_s"] = cpu(live) / (n * minutes)

    archive = EmbeddedArchive(folder / "data", dict.fromkeys(names, step_s), Keep())

    def keep() -> None:
        for day in range(days):
            for r in read.values():
                archive.append(r.between(START_S + day * 86400, START_S + (day + 1) * 86400))
            archive.flush()

    out["archive_write_s"] = cpu(keep) / n
    out["archive_bytes_per_row"] = size_of(folder / "data") / (n * rows)
    end_s = START_S + days * 86400
    out["archive_read_s"] = cpu(lambda: [archive.read(name, START_S, end_s) for name in names]) / n

    source = LogSource(registry, None, folder / "profiles", load_knowledge())
    week = Week.of(START_S, "UTC").shifted(days // 7 - 1)
    judging = Judging(week, Words.of(UNIT_SYSTEMS["kpa_lps"], "en"), 1.5, has_desk=False, pages_for=())
    lots = source.lots(week, 8)
    judging(lots[0], to_nobody)  # loads what draws
    out["report_s"] = cpu(lambda: [judging(lot, to_nobody) for lot in source.lots(week, 8)]) / n
    lot = lots_of(registry, names)[0]
    out["sent_bytes"] = len(pickle.dumps(lot)) / len(lot)
    out["peak_mb"] = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return out


def started(folder: Path) -> dict[str, float]:
    """Wall seconds until two local processes are up, have learned and scanned all, and are gone."""
    from steadyhead.config import load_registry
    from steadyhead.diagnosis.causes import load_knowledge
    from steadyhead.fleet.crew import run
    from steadyhead.fleet.lots import lots_of
    from steadyhead.fleet.place import HERE, Place
    from steadyhead.fleet.readings import LogFiles
    from steadyhead.fleet.spans import Asked
    from steadyhead.fleet.working import Scanning

    registry = load_registry(folder / "stations.yaml")
    lots = lots_of(registry, list(registry.stations), 1)
    work = Scanning(LogFiles(), Asked(), folder, load_knowledge(), learning=Asked(learns=True), draws=False)
    walls = {}
    for name, place in (("here_wall_s", HERE), ("two_wall_s", Place(processes=2))):
        begun = time.perf_counter()
        for _ in run(work, lots, place):
            pass
        walls[name] = time.perf_counter() - begun
    return walls


def for_the_fleet(m: dict[str, float], stations: int, step_s: int, days: int) -> list[str]:
    """The formulas of docs/fleet.md with these figures."""
    rows_day = stations * 86400 / step_s
    hours = 3600.0
    per_row_scan = (m["read_s"] + m["scan_s"]) / m["rows"]
    archive_day = rows_day * m["archive_bytes_per_row"]
    learning = stations * (m["read_s"] + m["learn_s"]) / hours
    return [
        f"rows a second {stations / step_s:,.0f}, a day {rows_day / 1e6:,.0f} million",
        f"archive {archive_day / 1e9:,.1f} GB a day, {400 * archive_day / 1e12:,.1f} TB for 400 days",
        f"profiles {stations * m['profile_bytes'] / 1e9:.2f} GB",
        f"learning all once from {days} days: {learning:,.1f} core-hours",
        f"scanning a year back: {365 * rows_day * per_row_scan / hours:,.0f} core-hours",
        f"judging live: {stations * m['judge_minute_s'] / 60:.2f} cores (the engine alone)",
        f"writing the archive: {stations * m['archive_write_s'] / (days * 86400):.2f} cores",
        f"weekly report without PDF: {stations * m['report_s'] / hours:,.1f} core-hours",
    ]


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("stations", nargs="?", type=int, default=12)
    parser.add_argument("--fleet", type=int, default=100_000)
    parser.add_argument("--step", type=int, default=10)
    parser.add_argument("--days", type=int, default=35)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_fleet(folder, given.stations, given.step, given.days)
        figures = measured(folder, given.step, given.days)
        figures |= started(folder)
    print(f"measured on {given.stations} stations, {given.days} days at {given.step} s, told for one station")
    print(json.dumps({key: float(f"{value:.4g}") for key, value in figures.items()}, indent=1))
    print(f"for the fleet, worked out: {given.fleet:,} stations at {given.step} s")
    for line in for_the_fleet(figures, given.fleet, given.step, given.days):
        print(f"  {line}")


if __name__ == "__main__":
    main()
