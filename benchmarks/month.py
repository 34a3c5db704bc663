"""Whether the memory of the live run stays flat: a month of readings through the live judging path.

    python benchmarks/month.py                 40 stations, 28 days
    python benchmarks/month.py --stations 100 --days 56

The parts of the live run are driven in this process by a made-up clock, as in ``tick.py``: every five
minutes each station's last five minutes are pushed, checked, written to the journal, judged, told to the desk
and archived; every hour all is made safe and the journal pruned; every six hours old readings are thinned
(kept in full for ten days here, so that whole days are deleted too). Every fifth station sags for six hours
every other day, so alerts come and go; some readings are refused, some come late, one station in ten falls
silent for a day each week. At the end of each simulated week resident memory is printed. It is flat if
last week ends less than 3 % above the end of the first: what grows with readings would double or more.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import sys
import tempfile
import time
from pathlib import Path

from live import made_up_profile
from numpy.random import Generator, default_rng
from tick import START_S, Run

from steadyhead.archive.archive import Keep
from steadyhead.desk.views import AlertQuery

DAY_S = 86400
PUSH_S = 300
SAFE_S = 3600
THIN_S = 6 * 3600
FULL_DAYS = 10
FLAT = 0.03  # an allocator does not give back every page


def resident_mb() -> float:
    """Resident memory of this process."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def batch(n: int, at_s: int, rng: Generator) -> bytes:
    """What all stations say of the five minutes before ``at_s``, with some that are refused or late."""
    items: list[dict] = []
    hour, day = at_s % DAY_S / 3600, at_s // DAY_S
    for i in range(n):
        if i % 10 == 3 and day % 7 == 5:
            continue  # silent
        sags = i % 5 == 4 and day % 2 == 0 and 6 <= hour < 12
        noise = rng.normal(0, 1.0, (PUSH_S // 60, 3)).tolist()
        for k, (a, b, c) in enumerate(noise):
            flow = 10 + 3 * ((hour - 12) / 12) ** 2 + 0.3 * a
            outlet = 400 - 0.4 * (flow - 10) + 0.5 * b - (60 if sags else 0)
            values = {"inlet": round(650 + c, 2), "outlet": round(outlet, 2), "flow": round(flow, 3)}
            items.append({"station": f"s{i:05d}", "time": at_s - PUSH_S + 60 * (k + 1), "values": values})
    if hour == 3.0:
        items.append({"station": "s00000", "time": at_s - 3 * 3600, "values": {"outlet": 400.0}})
        items.append({"station": "s00001", "time": at_s, "values": {"outlet": "many"}})
        items.append({"station": f"unknown{day}", "time": at_s, "values": {"outlet": 1.0}})
    return json.dumps(items).encode()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--stations", type=int, default=40)
    parser.add_argument("--days", type=int, default=28)
    asked = parser.parse_args()
    n, rng, weeks = asked.stations, default_rng(3), []
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="steadyhead-bench-") as name:
        run = Run(Path(name), n, made_up_profile(), keep=Keep(FULL_DAYS, 3650))
        print(f"{n} stations, one reading of three values a minute, {asked.days} days; {FULL_DAYS} in full")
        print("day  rows judged  alerts so far  refused  late  data folder  resident  most in the week")
        most = 0.0
        for at_s in range(START_S + PUSH_S, START_S + asked.days * DAY_S + 1, PUSH_S):
            run.at_s = at_s + 1.0
            run.intake.push_json(batch(n, at_s, rng), "bench")
            while run.loop.step():
                pass
            if at_s % SAFE_S == 0 and not run.loop.save():
                sys.exit(f"not made safe: {run.loop.health}")
            if at_s % THIN_S == 0:
                run.desk.tick(run.at_s)
                run.archive.thin(at_s)
                most = max(most, resident_mb())
            if (at_s - START_S) % (7 * DAY_S) == 0:
                gc.collect()
                weeks.append(resident_mb())
                counts = run.journal.source_counts()[0]
                alerts = run.desk.alerts(AlertQuery(limit=1)).total
                files = (f.stat().st_size for f in (Path(name) / "data").rglob("*") if f.is_file())
                print(
                    f"{(at_s - START_S) // DAY_S:3}  {run.loop.judged_rows:11,}  {alerts:13,}  "
                    f"{counts.refused:7,}  {counts.late:4,}  {sum(files) / 1e6:8.0f} MB  "
                    f"{weeks[-1]:5.0f} MB  {most:8.0f} MB",
                    flush=True,
                )
                most = 0.0
    grown = weeks[-1] / weeks[0] - 1
    words = "flat" if grown < FLAT else "NOT flat"
    print(f"from the first week's end to the last's: {weeks[-1] - weeks[0]:+.1f} MB, {grown:+.1%}: {words}")
    print(f"took {time.monotonic() - began:.0f} s; load average {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    main()
