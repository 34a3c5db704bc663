"""How fast learning and scanning are on one core, between what bounds them and what could be taken instead.

    python benchmarks/speed.py [words]

One station-year at 1 min (525,600 rows) and 30 days at 1 s (2,592,000 rows), made by repeating a short run
of the proving plant and written to Parquet as a logger would. In the same run, on the same rows:

* the floor: decoding the Parquet into columns, and copying the columns once;
* scan and learn from memory; scan from Parquet, the way a command reads it; learn of 35 days;
* general-purpose detectors (benchmarks/detectors.py), fitted and scoring on the same three columns.

Each job runs in a process of its own with one thread: on a part to compile, then on all rows for memory,
then five times (three for the others) by the processor's clock. The median counts; the slowest and the
quickest say how far to trust it. Memory is the peak over what was resident before, readings included, over
the readings' own size. With words, only the jobs whose names hold one of them are run.
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
import pyarrow as pa

sys.path.insert(0, str(Path(__file__).parent))
from detectors import DETECTORS

THREADS = (
    "NUMBA_NUM_THREADS",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "ARROW_NUM_THREADS",
)
SIZES = {"1 min, one year": (60, 14, 525_600), "1 s, 30 days": (1, 5, 2_592_000)}
TARGETS = {
    (60, "scan"): 2e6, (1, "scan"): 5e6, (60, "scan from Parquet"): 1e6, (1, "scan from Parquet"): 2.5e6,
}  # fmt: skip
LEARN_35_DAYS_S = 0.3
MEMORY_TARGET = 4.0
TIMES, TIMES_OF_OTHERS = 5, 3
COLUMNS = ("outlet_kpa", "inlet_kpa", "flow_lps")
OURS = ("decode Parquet", "copy columns", "scan", "scan from Parquet", "learn", "learn 35 days")
REGISTRY = """
log_root: .
stations:
  bench:
    time_zone: UTC
    step_s: {step_s}
    tags:
      outlet: {{tag: outlet_kpa, unit: kPa}}
      inlet: {{tag: inlet_kpa, unit: kPa}}
      flow: {{tag: flow_lps, unit: L/s}}
    sources: [{{path: "{path}"}}]
"""


def make_log(path: Path, step_s: int, days: int, n_rows: int) -> None:
    """A Parquet log of ``n_rows``, whole days of one plant run over and over, and its registry."""
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
    path.with_suffix(".yaml").write_text(REGISTRY.format(step_s=step_s, path=path.name))


def decode(path: Path):
    """Station's readings from Parquet by the shortest way there is."""
    import pyarrow.parquet as pq

    from steadyhead.readings.frame import regular

    table = pq.read_table(path, use_threads=False)
    times = table.column("time").to_numpy().astype("datetime64[s]").astype(np.int64)
    values = {name: table.column(name).to_numpy().astype(np.float64) for name in COLUMNS}
    return regular("bench", int(times[0]), int(times[1] - times[0]), values.pop("outlet_kpa"), **values)


def own_bytes(readings) -> int:
    from steadyhead.readings.frame import CHANNELS

    return sum(getattr(readings, name).nbytes for name in CHANNELS) + readings.flags.nbytes


def resident_kb(key: str) -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(key + ":"))


def measured(
    job, rows: int, own: int, part: int, times: int = TIMES, *, is_given: bool = True
) -> dict[str, float]:
    """Seconds of the call on a part (compiling), of some on all rows, and the peak memory over ``own``.

    job : called with how many rows to work on
    is_given : the readings lie in memory before the job begins; else it brings them itself
    """
    begun = time.perf_counter()
    job(part)
    compiling_s = time.perf_counter() - begun
    gc.collect()
    pa.default_memory_pool().release_unused()
    ctypes.CDLL(None).malloc_trim(0)  # give back what the part needed, so that it counts again (glibc)
    before_kb = resident_kb("VmRSS")
    Path("/proc/self/clear_refs").write_text("5")  # forget the peak so far (Linux)
    job(rows)
    extra = max(0, resident_kb("VmHWM") - before_kb) * 1024
    seconds = []
    for _ in range(times):
        begun = time.process_time()
        job(rows)
        seconds.append(time.process_time() - begun)
    middle = statistics.median(seconds)
    return {
        "rows": rows,
        "first_s": compiling_s,
        "median_s": middle,
        "rows_per_s": rows / middle,
        "slowest_per_s": rows / max(seconds),
        "quickest_per_s": rows / min(seconds),
        "memory_ratio": (own * is_given + extra) / own,
    }


def child(what: str, path: Path) -> dict[str, float]:
    readings = decode(path)
    own, n, part = own_bytes(readings), len(readings), 4 * 86400 // readings.step_s
    if what in DETECTORS:
        return other(what, readings, own)
    if what == "decode Parquet":
        return measured(lambda _last: decode(path), n, own, part)
    if what == "copy columns":
        columns = [getattr(readings, name) for name in COLUMNS]
        return measured(lambda last: [column[:last].copy() for column in columns], n, own, part)
    from steadyhead.engine import State, step
    from steadyhead.profile.known import Known
    from steadyhead.profile.learn import learn

    if what == "learn":
        return measured(lambda last: learn(readings.rows(0, last), Known()), n, own, part)
    if what == "learn 35 days":
        last = min(n, 35 * 86400 // readings.step_s)
        return measured(lambda rows: learn(readings.rows(0, rows), Known()), last, own, part)
    profile = learn(readings, Known())
    if what == "scan":
        return measured(lambda last: step(State(), readings.rows(0, last), profile), n, own, part)
    from steadyhead.feeds.load import load_readings

    def from_parquet(_last: int) -> None:
        read = load_readings(path.with_suffix(".yaml"))[0]["bench"]
        step(State(), read, profile)

    readings = None  # what the job reads by itself must not count twice
    return measured(from_parquet, n, own, part, is_given=False)


def other(what: str, readings, own: int) -> dict[str, float]:
    detector = DETECTORS[what]
    rows = np.column_stack([getattr(readings, name) for name in COLUMNS])
    rows = rows[np.isfinite(rows).all(axis=1)][: detector.most]
    score = detector.make(rows, readings.step_s)
    return measured(lambda last: score(rows[:last]), len(rows), own, len(rows) // 4, TIMES_OF_OTHERS)


def run_child(what: str, path: Path) -> dict[str, float] | str:
    """What the child has measured, or its last line where it failed."""
    answer = subprocess.run(
        [sys.executable, "-W", "ignore", __file__, "--child", what, str(path)],
        env=os.environ | dict.fromkeys(THREADS, "1"),
        check=False,
        capture_output=True,
        text=True,
    )
    if answer.returncode:
        return (answer.stderr.strip().splitlines() or ["no word of why"])[-1]
    return json.loads(answer.stdout.splitlines()[-1])


def line(name: str, r: dict[str, float], note: str = "") -> str:
    spread = f"({r['slowest_per_s'] / 1e6:.4g} to {r['quickest_per_s'] / 1e6:.4g})"
    return (
        f"  {name:<30} {r['rows_per_s'] / 1e6:9.4f} M rows/s {spread:<22} {r['median_s']:8.3f} s for "
        f"{int(r['rows']):>9,} rows (first {r['first_s']:.2f} s)  memory {r['memory_ratio']:5.2f} x{note}"
    )


def verdict(step_s: int, what: str, r: dict[str, float]) -> str:
    if what == "learn 35 days" and step_s == 60:
        return f"  target {LEARN_35_DAYS_S} s: {'met' if r['median_s'] < LEARN_35_DAYS_S else 'MISSED'}"
    target = TARGETS.get((step_s, what))
    if target is None:
        return ""
    met = "met" if r["rows_per_s"] >= target else "MISSED"
    in_memory = "met" if r["memory_ratio"] < MEMORY_TARGET else "MISSED"
    return f"  target {target / 1e6:g} M rows/s: {met}; below {MEMORY_TARGET:g} x: {in_memory}"


def main(words: list[str]) -> None:
    wanted = [what for what in (*OURS, *DETECTORS) if not words or any(word in what for word in words)]
    print(f"rows per second on one core: median of {TIMES} runs, {TIMES_OF_OTHERS} of the others "
          "(slowest to quickest); memory over the readings' own size")  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        for name, (step_s, days, n_rows) in SIZES.items():
            path = Path(folder) / f"{step_s}.parquet"
            make_log(path, step_s, days, n_rows)
            print(f"\n{name}: {n_rows:,} rows, {path.stat().st_size / 1e6:.1f} MB of Parquet", flush=True)
            results: dict[str, dict[str, float]] = {}
            for what in wanted:
                r = run_child(what, path)
                shown = what
                if what in DETECTORS:
                    shown = f"{DETECTORS[what].name} {DETECTORS[what].version()}"
                if isinstance(r, str):
                    print(f"  {shown:<30} does not run here: {r}", flush=True)
                    continue
                results[what] = r
                print(line(shown, r, verdict(step_s, what, r)), flush=True)
            ratios(results)


def ratios(results: dict[str, dict[str, float]]) -> None:
    for ours in ("scan", "learn"):
        if ours in results:
            said = [
                f"{results[ours]['rows_per_s'] / r['rows_per_s']:.3g} x {DETECTORS[what].name}"
                for what, r in results.items()
                if what in DETECTORS
            ]
            said += [
                f"{results[ours]['rows_per_s'] / results[floor]['rows_per_s']:.2g} x the rate of {floor}"
                for floor in OURS[:2]
                if floor in results
            ]
            if said:
                print(f"  {ours} runs at " + ", ".join(said))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        print(json.dumps(child(sys.argv[2], Path(sys.argv[3]))))
    else:
        main(sys.argv[1:])
