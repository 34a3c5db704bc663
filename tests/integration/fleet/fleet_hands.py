"""A small fleet in Parquet, and work that leaves a trace of who did it."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from steadyhead.alerts.jsonlines import to_json_lines
from steadyhead.config import Registry, load_registry
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.fleet.crew import Lost, run
from steadyhead.fleet.lots import Lot, lots_of
from steadyhead.fleet.outcome import Outcome
from steadyhead.fleet.place import Place
from steadyhead.fleet.readings import LogFiles, Readable
from steadyhead.fleet.spans import Asked
from steadyhead.fleet.told import Tell, to_nobody
from steadyhead.fleet.working import Scanning
from steadyhead.profile.model import to_json

STEP_S, START_S = 300, 1_746_403_200  # Monday 2025-05-05 00:00 UTC
LEARN_DAYS, DAYS = 7, 10
NAMES = tuple(f"st_{n:02d}" for n in range(12))
STEPPED = NAMES[3::4]  # their outlet falls by 15 % on day 8
BROKEN = NAMES[5]  # its log is no Parquet file


def make_fleet(folder: Path, names: tuple[str, ...] = NAMES) -> Registry:
    """Twelve stations, two to a zone; one cannot be read, three have lost pressure."""
    (folder / "logs").mkdir(parents=True)
    n = DAYS * 86400 // STEP_S
    time_s = START_S + STEP_S * np.arange(n)
    for seed, name in enumerate(names):
        rng = np.random.default_rng(seed)
        outlet = 400.0 + rng.normal(0, 1.0, n)
        if name in STEPPED:
            outlet[time_s >= START_S + 8 * 86400] -= 60.0
        table = {
            "time": pa.array(time_s * 1000, type=pa.timestamp("ms", tz="UTC")),
            "outlet": outlet,
            "inlet": 700.0 + rng.normal(0, 3.0, n),
            "flow": 6.0 - 4.0 * np.cos((time_s - START_S) / 86400 * 2 * np.pi) + rng.normal(0, 0.2, n),
        }
        pq.write_table(pa.table(table), folder / "logs" / f"{name}.parquet")
    (folder / "logs" / f"{BROKEN}.parquet").write_bytes(b"PAR1 and no more")
    stations = "\n".join(f"  {name}: {{zone: zone_{n // 2}}}" for n, name in enumerate(names))
    (folder / "stations.yaml").write_text(
        f"""log_root: logs
defaults:
  time_zone: UTC
  step_s: {STEP_S}
  tags:
    outlet: {{tag: outlet, unit: kPa}}
    inlet: {{tag: inlet, unit: kPa}}
    flow: {{tag: flow, unit: L/s}}
  sources: [{{path: "{{station}}.parquet"}}]
  learn: {{to: "2025-05-12"}}
stations:
{stations}
"""
    )
    return load_registry(folder / "stations.yaml")


def scanning(folder: Path, source: Readable | None = None) -> Scanning:
    """Learn and scan the fleet, pictures left out, since they take long and show nothing of this."""
    files = LogFiles() if source is None else source
    return Scanning(
        files, Asked(), folder / "profiles", load_knowledge(), learning=Asked(learns=True), draws=False
    )


def everything(outcome: Outcome) -> str:
    """All that came of it, to the last bit."""
    profiles = "\n".join(to_json(profile) for profile in outcome.profiles.values())
    alerts = to_json_lines([found.alert for found in outcome.found])
    return f"{profiles}\n{alerts}\n{outcome.left_out}\n{outcome.steps_s}"


def done_by(
    work: Callable[[Lot, Tell], Outcome], registry: Registry, place: Place, tell: Tell = to_nobody
) -> Outcome:
    """The outcome of all stations, two to a lot."""
    whole = Outcome()
    for done in run(work, lots_of(registry, list(registry.stations), 2), place, tell):
        if isinstance(done, Lost):
            whole.give_up(done)
        else:
            whole.add(done)
    return whole


@dataclass(frozen=True)
class Traced:
    """Work that writes down who begins which lot, and takes long enough to be killed in the middle.

    deadly : a station in whose lot the process kills itself
    """

    work: Scanning
    trace: Path
    hold_s: float = 0.0
    deadly: str = ""

    def __call__(self, lot: Lot, tell: Tell) -> Outcome:
        with self.trace.open("a") as file:
            file.write(f"{os.getpid()} {lot.names[0]}\n")
        if self.deadly in lot.names:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(self.hold_s)
        return self.work(lot, tell)


def begun(trace: Path) -> list[tuple[int, str]]:
    """Process and first station of each lot that was begun, in order."""
    lines = trace.read_text().splitlines() if trace.exists() else []
    return [(int(pid), name) for pid, name in (line.split() for line in lines)]


def kill_the_first(trace: Path, after: int = 3) -> tuple[threading.Thread, list[int]]:
    """Kill -9 the process that begins a lot once so many are begun; in a thread, with who it was."""
    killed: list[int] = []

    def watch() -> None:
        end = time.monotonic() + 120
        while time.monotonic() < end and not killed:
            seen = begun(trace)
            if len(seen) >= after:
                os.kill(seen[-1][0], signal.SIGKILL)
                killed.append(seen[-1][0])
            time.sleep(0.01)

    thread = threading.Thread(target=watch)
    thread.start()
    return thread, killed
