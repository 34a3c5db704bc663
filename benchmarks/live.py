"""How large a fleet the live service holds on this machine at one reading a minute.

    python benchmarks/live.py                      20,000 stations for 10 minutes
    python benchmarks/live.py --stations 40000 --minutes 5
    python benchmarks/live.py --find               then twice as many until a fleet fails, 6 minutes each

A real ``steadyhead serve`` with its embedded database and archive runs in a process of its own. This process
pushes the readings over HTTP in batches, as an integrator would, spread over each minute, and asks for pages
meanwhile as a signed-in person would. Some stations bring along the hour before, in which their outlet went
up to the inlet, so that alerts are raised too. It prints for every minute what was pushed and accepted, the
readings that wait to be judged at its end, how long pushes took, what the service used, and how busy the
machine was. A fleet holds if the backlog at the end of the minutes does not grow, the sender keeps up, and
95 % of pages take less than 0.3 s. Sender and service share the processors. All is made safe every five
minutes, so one of the minutes shows what that costs.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import httpx
import numpy as np

from steadyhead.access.accounts import Accounts
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile, to_json
from steadyhead.readings.frame import regular
from steadyhead.store.database import open_database

PORT = 8497
URL = f"http://127.0.0.1:{PORT}"
BATCH = 500  # stations
PASSWORD = "only for this benchmark"
PAGES = ("/", "/stations", "/stations/s00007", "/load", "/feeds")
FAULTY = 20  # stations whose outlet follows the inlet
PAGES_S = 0.3  # the target for 95 % of pages


def registry_text(n: int) -> str:
    """Stations alone, and every tenth with a neighbour."""
    lines = [f"  s{i:05d}: {{zone: z{i // 10}}}" if i % 10 < 2 else f"  s{i:05d}: {{}}" for i in range(n)]
    return (
        "utility: Load (invented)\ndefaults:\n  time_zone: UTC\n  step_s: 60\n  tags:\n"
        "    inlet: {tag: PIN, unit: kPa}\n    outlet: {tag: POUT, unit: kPa}\n"
        "    flow: {tag: FLOW, unit: L/s}\n"
        "  sources: [{path: none.csv}]\nstations:\n" + "\n".join(lines) + "\n"
    )


def made_up_profile() -> Profile:
    """Learned from eight days of a plain made-up station."""
    rng = np.random.default_rng(1)
    n = 8 * 1440
    hour = (np.arange(n) % 1440) / 60
    flow = 10 + 3 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    inlet = 650 + rng.normal(0, 1.0, n)
    return learn(regular("s", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow), Known())


def write_profiles(folder: Path, n: int, profile: Profile) -> None:
    """The same profile for every station."""
    folder.mkdir()
    text = to_json(replace(profile, station="STATION"))
    for i in range(n):
        (folder / f"s{i:05d}.json").write_text(text.replace("STATION", f"s{i:05d}"))


class Service:
    """A ``steadyhead serve`` on a fresh data folder."""

    def __init__(self, folder: Path, n: int, profile: Profile) -> None:
        self.n = n
        (folder / "stations.yaml").write_text(registry_text(n))
        (folder / "service.yaml").write_text(
            f"data_folder: data\nprofiles: profiles\nport: {PORT}\nwatch_folders: false\n"
            "horizon_s: 60\n"  # judging then begins in the second minute
            "access:\n  push_per_minute: 100000\n  requests_per_minute: 100000\n"
            "  address_requests_per_minute: 1000000\n"
        )
        write_profiles(folder / "profiles", n, profile)
        data = folder / "data"
        data.mkdir()
        database = open_database(RoomSettings(data_folder=data).database)
        accounts = Accounts(database, time.time)
        accounts.create("bench", "administrator", PASSWORD)
        self.token = accounts.make_token("historian", "write_readings", "bench").secret
        database.close()
        began = time.monotonic()
        self.process = subprocess.Popen(
            [sys.executable, "-m", "steadyhead", "serve", "--registry", folder / "stations.yaml",
             "--settings", folder / "service.yaml"], stdout=subprocess.DEVNULL,
        )  # fmt: skip
        while not self._answers():
            if self.process.poll() is not None:
                sys.exit("the service did not start")
            time.sleep(0.2)
        self.started_s = time.monotonic() - began

    def _answers(self) -> bool:
        try:
            return httpx.get(f"{URL}/readyz", timeout=5).status_code == 200
        except httpx.HTTPError:
            return False

    def used(self) -> tuple[float, float]:
        """Processor seconds so far, and resident memory [MB]."""
        parts = Path(f"/proc/{self.process.pid}/stat").read_text().rpartition(")")[2].split()
        ticks = int(parts[11]) + int(parts[12])
        pages = int(Path(f"/proc/{self.process.pid}/statm").read_text().split()[1])
        return ticks / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 1e6

    def stop(self) -> float:
        began = time.monotonic()
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(300)
        return time.monotonic() - began


class Person(threading.Thread):
    """Signed in, and looking at one page after another."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.client = httpx.Client(base_url=URL, timeout=60)
        form = self.client.get("/login").text
        csrf = dict(re.findall(r'name="(csrf[^"]*)" value="([^"]*)"', form) or re.findall(
            r'name="([^"]*)"[^>]*value="([^"]{16,})"', form))  # fmt: skip
        self.client.post("/login", data={"name": "bench", "password": PASSWORD, "next": "/", **csrf},
                         headers={"Origin": URL})  # fmt: skip
        self.took_s: dict[str, list[float]] = {page: [] for page in PAGES}
        self.failed = 0
        self.over = threading.Event()

    def run(self) -> None:
        while not self.over.wait(0.5):
            for page in PAGES:
                began = time.monotonic()
                try:
                    code = self.client.get(page).status_code
                except httpx.HTTPError:
                    code = 0
                self.took_s[page].append(time.monotonic() - began)
                self.failed += code != 200

    def status(self) -> dict:
        return self.client.get("/api/v1/feeds").json()["run"]


def body(first: int, last: int, minute_s: int, rng: np.random.Generator, n_faulty: int = FAULTY) -> bytes:
    """One reading of each of these stations as a push; of all stations the first are faulty."""
    hour = minute_s % 86400 / 3600
    n = last - first
    flow = 10 + 3 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    inlet = 650 + rng.normal(0, 1.0, n)
    faulty = slice(0, max(0, n_faulty - first))
    outlet[faulty] = inlet[faulty] - 20
    return json.dumps(
        [
            {
                "station": f"s{i:05d}",
                "time": minute_s,
                "values": {"inlet": round(p, 2), "outlet": round(o, 2), "flow": round(q, 3)},
            }
            for i, p, o, q in zip(
                range(first, last), inlet.tolist(), outlet.tolist(), flow.tolist(), strict=True
            )
        ]
    ).encode()


def quantile(values: list[float], share: float) -> float:
    return float(np.quantile(values, share)) if values else float("nan")


def run(n: int, minutes: int, profile: Profile) -> bool:
    """Print one line a minute; whether the fleet held."""
    with tempfile.TemporaryDirectory(prefix="steadyhead-bench-") as name:
        service = Service(Path(name), n, profile)
        print(f"\n{n:,} stations, one reading of three values a minute; started in {service.started_s:.0f} s")
        print(
            "minute  pushed values  push p95  backlog values  judged behind  processor  memory  load average"
        )
        rng = np.random.default_rng(2)
        client = httpx.Client(base_url=URL, headers={"Authorization": f"Bearer {service.token}"}, timeout=120)
        now_s = int(time.time()) // 60 * 60
        for earlier in range(60, 0, -1):
            before = body(0, FAULTY, now_s - 60 * earlier, rng, FAULTY if earlier < 40 else 0)
            client.post("/api/v1/readings", content=before, headers={"Content-Type": "application/json"})
        person = Person()
        person.start()
        backlogs, behind, is_late = [], [], False
        used_before = service.used()[0]
        begin = time.monotonic()
        for minute in range(minutes):
            took, accepted = [], 0
            minute_s = int(time.time()) // 60 * 60
            edges = list(range(0, n, BATCH))
            for k, first in enumerate(edges):
                due = begin + 60 * minute + 55 * k / len(edges)
                time.sleep(max(0.0, due - time.monotonic()))
                data = body(first, min(first + BATCH, n), minute_s, rng)
                at = time.monotonic()
                answer = client.post(
                    "/api/v1/readings", content=data, headers={"Content-Type": "application/json"}
                )
                took.append(time.monotonic() - at)
                if answer.status_code == 200:
                    accepted += answer.json()["accepted"]
            sent_late_s = time.monotonic() - begin - 60 * (minute + 1)
            is_late |= sent_late_s > 1
            time.sleep(max(0.0, -sent_late_s - 1.0))
            status = person.status()
            used = service.used()
            backlogs.append(status["backlog_items"])
            behind.append(status["backlog_s"])
            print(
                f"{minute + 1:6}  {accepted:13,}  {quantile(took, 0.95) * 1e3:5.0f} ms  {backlogs[-1]:14,}  "
                f"{behind[-1]:11.1f} s  {(used[0] - used_before) / 60:7.0%}  {used[1]:6.0f} MB"
                f"  {os.getloadavg()[0]:12.1f}"
                + (f"   sender late by {sent_late_s:.0f} s" if sent_late_s > 1 else ""),
                flush=True,
            )
            used_before = used[0]
        person.over.set()
        person.join()
        every = [s for times in person.took_s.values() for s in times]
        for page, times in person.took_s.items():
            print(f"page {page:18} {len(times):4} times, median {quantile(times, 0.5) * 1e3:4.0f} ms, "
                  f"p95 {quantile(times, 0.95) * 1e3:4.0f} ms")  # fmt: skip
        print(f"all pages: p95 {quantile(every, 0.95) * 1e3:.0f} ms, {person.failed} failed")
        alerts = person.client.get("/api/v1/alerts").json()
        print(f"alerts raised: {alerts.get('total')}")
        size = sum(f.stat().st_size for f in (Path(name) / "data").rglob("*") if f.is_file()) / 1e6
        print(f"stopped in {service.stop():.1f} s; data folder {size:.0f} MB")
        half = len(backlogs) // 2
        found = {
            "the backlog does not grow": max(backlogs[half:])
            <= max(3 * n / 60 * 15, 1.2 * max(backlogs[:half] or [0])),
            "the sender keeps up": not is_late,
            f"pages take less than {PAGES_S * 1e3:.0f} ms (p95)": quantile(every, 0.95) < PAGES_S,
            "no page failed": person.failed == 0,
        }
        missed = [words for words, is_so in found.items() if not is_so]
        print(f"DOES NOT HOLD, not so: {'; '.join(missed)}" if missed else f"holds: {'; '.join(found)}")
        return not missed


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--stations", type=int, default=20_000)
    parser.add_argument("--minutes", type=int, default=10)
    parser.add_argument("--find", action="store_true")
    asked = parser.parse_args()
    profile = made_up_profile()
    holds = run(asked.stations, asked.minutes, profile)
    n = asked.stations
    while asked.find and holds:
        n *= 2
        holds = run(n, 6, profile)
    if asked.find:
        print(f"\nthe largest fleet that held is between {n // 2:,} and {n:,} stations")


if __name__ == "__main__":
    main()
