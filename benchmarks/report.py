"""How long a weekly report takes and how much memory, for a fleet at 1 min with five weeks of logs.

    python benchmarks/report.py [stations] [weeks of logs]

Stations are copies of one week of the proving plant with noise of their own, in Parquet; one in ten drifts in
the last week, so that it raises an alert and gets a page. The command runs in a process of its own. What is
said for 1,000 stations is the measured time per station times 1,000, plus what does not grow; memory is the
peak of the process.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

STEP_S = 60
START_S = 1_746_403_200  # Monday 2025-05-05 00:00 UTC
DRIFTS_EACH = 10


def make_fleet(folder: Path, n: int, weeks: int) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    from steadyhead.profile.known import Known
    from steadyhead.profile.learn import learn
    from steadyhead.profile.model import to_json
    from steadyhead.proving_plant import Instruments, Scenario, simulate
    from steadyhead.proving_plant.draw import draw_design
    from steadyhead.readings.frame import regular

    design = draw_design(np.random.default_rng(11), closed_nights=True)
    made = simulate(Scenario("bench", design, Instruments(interval_s=STEP_S), duration_s=7 * 86400, seed=11))
    base = made.readings
    rows = np.arange(weeks * 7 * 1440) % len(base)
    start_s = START_S
    times = start_s + STEP_S * np.arange(len(rows), dtype=np.int64)
    stamps = pa.array(times * 1000, type=pa.timestamp("ms", tz="UTC"))
    columns = {name: getattr(base, name)[rows] for name in ("inlet_kpa", "outlet_kpa", "flow_lps")}
    outlet = columns.pop("outlet_kpa")
    span = regular("bench", start_s, STEP_S, outlet, **columns)
    profile = learn(span, Known())
    (folder / "logs").mkdir()
    (folder / "profiles").mkdir()
    stations = {}
    for k in range(n):
        name = f"st_{k:04d}"
        rng = np.random.default_rng(k)
        own = outlet + rng.normal(0.0, 0.3, len(rows))
        if k % DRIFTS_EACH == 0:
            last = len(rows) - 7 * 1440
            own[last:] -= np.linspace(0.0, 0.12 * profile.set_pressure.typical_kpa, len(rows) - last)
        table = pa.table(
            {"time": stamps, "outlet": own, "inlet": columns["inlet_kpa"], "flow": columns["flow_lps"]}
        )
        pq.write_table(table, folder / "logs" / f"{name}.parquet")
        (folder / "profiles" / f"{name}.json").write_text(to_json(replace(profile, station=name)))
        stations[name] = {
            "time_zone": "UTC",
            "step_s": STEP_S,
            "tags": {
                "outlet": {"tag": "outlet", "unit": "kPa"},
                "inlet": {"tag": "inlet", "unit": "kPa"},
                "flow": {"tag": "flow", "unit": "L/s"},
            },
            "sources": [{"path": f"{name}.parquet"}],
        }
    (folder / "stations.yaml").write_text(json.dumps({"log_root": "logs", "stations": stations}, indent=1))


def run(folder: Path, week: str, *more: str) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak MB of one run of the command."""
    command = [
        sys.executable, "-m", "steadyhead", "report", "--registry", str(folder / "stations.yaml"),
        "--profiles", str(folder / "profiles"), "--out", str(folder / "out"), "--week", week, *more,
    ]  # fmt: skip
    began = time.perf_counter()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, code, used = os.wait4(child.pid, 0)
    if code:
        raise SystemExit(f"the command ended with {code}")
    return time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024


def main() -> None:
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    weeks = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make_fleet(folder, n, weeks)
        from steadyhead.weekly.week import Week

        week = str(Week.of(START_S, "UTC").shifted(weeks - 1))
        first = run(folder, week, "st_0001", "--no-pdf")  # loads libraries and compiled code once
        figures = run(folder, week, "--no-pdf")
        whole = run(folder, week)
        pages = json.loads((folder / "out" / "report.json").read_text())["pages"]
        sizes = {p.name: p.stat().st_size // 1024 for p in sorted((folder / "out").iterdir())}
    print(f"{n} stations, {weeks} weeks at {STEP_S} s, {len(pages)} with a page of their own")
    print(f"sizes in kB: {sizes}")
    for word, (wall, cpu, mb) in (("one station", first), ("without PDF", figures), ("all", whole)):
        print(f"{word:>12}: {wall:6.1f} s, {cpu:6.1f} s of processor, {mb:6.0f} MB")
    each = (figures[1] - first[1]) / (n - 1)
    pdf = (whole[1] - figures[1]) / n
    print(f"per station {each:.3f} s of processor, its part of the PDF {pdf:.3f} s")
    print(f"for 1,000 stations: {first[1] + 1000 * (each + pdf):.0f} s of processor on one core")
    grown = (whole[2] - first[2]) / n
    print(f"and about {first[2] + 1000 * grown:.0f} MB, if memory grows with stations as it did here")
    print(f"(this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024} MB)")


if __name__ == "__main__":
    main()
