"""How fast learning and scanning are, and how much memory they take, beside scikit-learn's IsolationForest.

    python benchmarks/speed.py

One station-year at 1 min (525,600 rows) and 30 days at 1 s (2,592,000 rows), made by repeating a short run
of the proving plant, written to Parquet and loaded. Each job runs in a process of its own with one thread: on
the first four days to compile, then on all rows for memory, then five times by the processor's clock: the
median is what counts, and the slowest and the quickest say how far to trust it. Memory is the peak over what
was resident before, readings included, over the readings' own size.
Scanning judges the very rows that were learned. The forest is fitted on the same rows and scores the same
rows (outlet, inlet, flow).
"""

from __future__ import annotations

import ctypes
import gc
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

THREADS = ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
SIZES = {"1 min, one year": (60, 14, 525_600), "1 s, 30 days": (1, 5, 2_592_000)}
TARGETS = {60: 1e6, 1: 5e6}
MEMORY_TARGET = 4.0
TIMES = 5
COLUMNS = ("outlet_kpa", "inlet_kpa", "flow_lps")


def make_log(path: Path, step_s: int, days: int, n_rows: int) -> None:
    """A Parquet log of ``n_rows``: whole days of one plant run, over and over."""
    import pandas as pd

    from steadyhead.proving_plant import Instruments, Scenario, simulate
    from steadyhead.proving_plant.draw import draw_design

    design = draw_design(np.random.default_rng(11), closed_nights=True)
    instruments = Instruments(interval_s=step_s)
    readings = simulate(Scenario("bench", design, instruments, duration_s=days * 86400, seed=11)).readings
    rows = np.arange(n_rows) % len(readings)
    columns = {name: getattr(readings, name)[rows] for name in COLUMNS}
    times = pd.to_datetime(readings.start_s + step_s * np.arange(n_rows), unit="s", utc=True)
    pd.DataFrame({"time": times, **columns}).to_parquet(path, index=False)


def load(path: Path):
    import pyarrow.parquet as pq

    from steadyhead.readings.frame import regular

    table = pq.read_table(path)
    times = table.column("time").to_numpy().astype("datetime64[s]").astype(np.int64)
    values = {name: table.column(name).to_numpy().astype(np.float64) for name in COLUMNS}
    return regular("bench", int(times[0]), int(times[1] - times[0]), values.pop("outlet_kpa"), **values)


def own_bytes(readings) -> int:
    from steadyhead.readings.frame import CHANNELS

    return sum(getattr(readings, name).nbytes for name in CHANNELS) + readings.flags.nbytes


def resident_kb(key: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key + ":"))


def measured(job, rows: int, own: int, part: int) -> dict[str, float]:
    """Seconds of the call on a part (compiling), of five on all rows, and the peak memory over ``own``.

    job : called with how many rows to work on
    """
    begun = time.perf_counter()
    job(part)
    compiling_s = time.perf_counter() - begun
    gc.collect()
    ctypes.CDLL(None).malloc_trim(0)  # give back what the part needed, so that it counts again (glibc)
    before_kb = resident_kb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # forget the peak so far (Linux)
    job(rows)
    extra = max(0, resident_kb("VmHWM") - before_kb) * 1024
    seconds = []
    for _ in range(TIMES):
        begun = time.process_time()
        job(rows)
        seconds.append(time.process_time() - begun)
    middle = statistics.median(seconds)
    return {
        "first_s": compiling_s,
        "median_s": middle,
        "rows_per_s": rows / middle,
        "slowest_per_s": rows / max(seconds),
        "quickest_per_s": rows / min(seconds),
        "memory_ratio": (own + extra) / own,
    }


def child(what: str, path: Path) -> dict[str, float]:
    readings = load(path)
    own, n, part = own_bytes(readings), len(readings), 4 * 86400 // readings.step_s
    if what == "forest":
        from sklearn.ensemble import IsolationForest

        rows = np.column_stack([getattr(readings, name) for name in COLUMNS])
        rows = rows[np.isfinite(rows).all(axis=1)]
        forest = IsolationForest(n_estimators=100, random_state=0, n_jobs=1).fit(rows)
        return measured(lambda last: forest.score_samples(rows[:last]), len(rows), own, part)
    from steadyhead.engine import State, step
    from steadyhead.profile.known import Known
    from steadyhead.profile.learn import learn

    if what == "learn":
        return measured(lambda last: learn(readings.rows(0, last), Known()), n, own, part)
    profile = learn(readings, Known())
    return measured(lambda last: step(State(), readings.rows(0, last), profile), n, own, part)


def run_child(what: str, path: Path) -> dict[str, float]:
    answer = subprocess.run(
        [sys.executable, __file__, what, str(path)],
        env=os.environ | dict.fromkeys(THREADS, "1"),
        check=True,
        capture_output=True,
        text=True,
    )
    return json.loads(answer.stdout.splitlines()[-1])


def main() -> None:
    print(f"rows per second on one core, once loaded: median of {TIMES} runs (slowest to quickest); "
          "memory over the readings' own size")  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        for name, (step_s, days, n_rows) in SIZES.items():
            path = Path(folder) / f"{step_s}.parquet"
            make_log(path, step_s, days, n_rows)
            begun = time.perf_counter()
            load(path)
            print(f"\n{name}: {n_rows} rows, {path.stat().st_size / 1e6:.1f} MB of Parquet, "
                  f"loaded in {time.perf_counter() - begun:.2f} s")  # fmt: skip
            results = {what: run_child(what, path) for what in ("learn", "scan", "forest")}
            for what, r in results.items():
                target = ""
                if what != "forest":
                    rate, target_rate = r["rows_per_s"], TARGETS[step_s]
                    met = "met" if rate >= target_rate and r["memory_ratio"] <= MEMORY_TARGET else "MISSED"
                    target = f"  target {target_rate / 1e6:.0f} M rows/s, {MEMORY_TARGET:.0f} x memory: {met}"
                spread = f"({r['slowest_per_s'] / 1e6:.3f} to {r['quickest_per_s'] / 1e6:.3f})"
                print(f"  {what:<7} {r['rows_per_s'] / 1e6:7.3f} M rows/s {spread:<18} "
                      f"{r['median_s']:7.3f} s (first {r['first_s']:.2f} s)  "
                      f"memory {r['memory_ratio']:5.2f} x{target}")  # fmt: skip
            for what in ("learn", "scan"):
                ratio = results[what]["rows_per_s"] / results["forest"]["rows_per_s"]
                print(f"  {what} is {ratio:.1f} times as fast as the forest scores")


if __name__ == "__main__":
    if len(sys.argv) == 3:
        print(json.dumps(child(sys.argv[1], Path(sys.argv[2]))))
    else:
        main()
