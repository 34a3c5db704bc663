"""A live run with no thread but that of the saver: made-up stations, and a clock that the test moves.

Run as a program it plays a run of two hours whose process is killed again and again:
``FOLDER STEP:NTH ...``. Each word is one process, killed with SIGKILL before the NTH call of a step of making
safe; one more goes on to the end. It says as JSON how each process ended.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from worker_bench import recorded

from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.config import parse_registry
from steadyhead.desk.desk import Desk
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.live import checkpoint, saver
from steadyhead.live.clock import Clock
from steadyhead.live.doors import doors_of
from steadyhead.live.intake import Intake
from steadyhead.live.journal import Journal
from steadyhead.live.loop import Loop
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.status import StatusBoard
from steadyhead.live.watermarks import Waits
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import CHANNELS, regular
from steadyhead.store.database import open_database
from steadyhead.store.profiles import save_profile

START_S = 1_772_323_200  # 2026-03-01 00:00 UTC
MINUTES = 120
PUSH_MIN = 5  # of readings in a push
SAVE_MIN = 10
N = 6  # stations in pairs, two pairs of them zones
OPENS_MIN = 20  # when the outlets of the first two follow their inlets

STEPS: dict[str, tuple[Any, str]] = {
    "flush": (EmbeddedArchive, "flush"),
    "write": (checkpoint, "write"),  # a transaction
    "insert": (checkpoint, "insert"),  # in its middle: the former checkpoints are deleted
    "prune": (Journal, "prune"),
}

REGISTRY = parse_registry(
    "utility: Bench (invented)\ndefaults:\n  time_zone: UTC\n  step_s: 60\n  tags:\n"
    "    inlet: {tag: PIN, unit: kPa}\n    outlet: {tag: POUT, unit: kPa}\n    flow: {tag: FLOW, unit: L/s}\n"
    "  sources: [{path: none.csv}]\nstations:\n"
    + "".join(f"  s{i}: {{{f'zone: z{i // 2}' if i < 4 else ''}}}\n" for i in range(N))
)


def make_profiles(folder: Path) -> None:
    """Learned from eight days of a plain made-up station."""
    rng = np.random.default_rng(1)
    n = 8 * 1440
    flow = 10 + 3 * np.sin(np.arange(n) / 1440 * 2 * np.pi) + rng.normal(0, 0.3, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    log = regular("s0", 0, 60, outlet, inlet_kpa=650 + rng.normal(0, 1.0, n), flow_lps=flow)
    profile = learn(log, Known())
    for name in REGISTRY.stations:
        save_profile(folder, replace(profile, station=name))


def readings(first_min: int) -> list[dict[str, Any]]:
    """One push: the same whenever it is asked for."""
    found = []
    for minute in range(first_min, first_min + PUSH_MIN):
        rng = np.random.default_rng(minute)
        for i in range(N):
            flow = 10 + 3 * np.sin(minute / 1440 * 2 * np.pi) + rng.normal(0, 0.3)
            inlet, outlet = 650 + rng.normal(0, 1.0), 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5)
            if i < 2 and minute >= OPENS_MIN:
                outlet = inlet - 20
            values = {"inlet": round(inlet, 2), "outlet": round(outlet, 2), "flow": round(flow, 3)}
            found.append({"station": f"s{i}", "time": START_S + 60 * minute, "values": values})
    return found


class LoopRun:
    """One process's run on a data folder, which may have been another's before."""

    def __init__(self, folder: Path, profiles: Path) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.at_s = START_S + 0.0
        clock = Clock(lambda: self.at_s, lambda: self.at_s)
        self.journal = Journal(folder)
        clock.resume(self.journal.listened_s)
        self.database = open_database(f"sqlite:///{folder / 'steadyhead.db'}")
        steps_s = {name: station.step_s for name, station in REGISTRY.stations.items()}
        self.archive = EmbeddedArchive(folder, steps_s)
        desk = Desk(self.database, load_knowledge(), REGISTRY, clock.wall_s)
        files = ProfileFiles(profiles, REGISTRY.stations)
        self.loop = Loop(REGISTRY, Waits(60), self.journal, self.database, self.archive, desk, files)
        self.intake = Intake(doors_of(REGISTRY), self.journal, Quarantine(folder, 1 << 20), clock)
        self.intake.open(self.loop.restore())
        self.loop.equip()
        self.board = StatusBoard(self.journal, self.intake, clock, self.loop)

    @property
    def minute(self) -> int:
        """Minutes of readings that were accepted so far."""
        return sum(count.accepted for count in self.journal.source_counts()) // (3 * N)

    def go_on(self, minutes: int) -> None:
        """Push so many minutes and judge them; every ten minutes have a part made safe meanwhile."""
        until_min = self.minute + minutes
        for first in range(self.minute, until_min, PUSH_MIN):
            self.push(first)
            if first % SAVE_MIN == 0:
                assert self.loop.saver.wait() is not False, self.loop.health
                self.loop.begin_save()

    def push(self, first_min: int) -> None:
        """Push the readings of some minutes and judge them."""
        self.at_s = START_S + 60.0 * (first_min + PUSH_MIN)
        answer = self.intake.push_json(json.dumps(readings(first_min)).encode(), "bench")
        assert (answer.late, answer.refused) == (0, []), answer
        self.loop.step()

    def save(self) -> bool:
        """Have each part made safe; whether that succeeded."""
        self.loop.saver.wait()
        for _ in range(self.loop.saver.n_parts):
            self.loop.begin_save()
            if not self.loop.saver.wait():
                return False
        return True

    def leave(self) -> None:
        """Let go of files; whatever is not safe is as lost as by a kill."""
        self.loop.saver.wait()
        self.database.close()
        self.journal.close()

    def found(self) -> dict[str, Any]:
        """What has come of it: alerts, and the rows of each station."""
        rows = {}
        for name in REGISTRY.stations:
            kept = self.archive.read(name, START_S, START_S + 60 * MINUTES)
            rows[name] = [getattr(kept, channel).tolist() for channel in CHANNELS]
        alerts = recorded(f"sqlite:///{self.folder / 'steadyhead.db'}", REGISTRY)
        return json.loads(json.dumps({"alerts": alerts, "rows": rows, "minute": self.minute}))


def as_for_many() -> None:
    """Parts of a pair and transactions of a zone, as 10,000 stations have parts and transactions."""
    saver.PART, checkpoint.AT_A_TIME, saver.PAUSE_S = 3, 1, 0.0


def die_before(step: str, nth: int) -> None:
    """Kill this process before the nth call of a step."""
    owner, name = STEPS[step]
    was: Callable[..., Any] = getattr(owner, name)
    n = 0

    def dying(*args: Any, **more: Any) -> Any:
        nonlocal n
        n += 1
        if n == nth:
            os.kill(os.getpid(), signal.SIGKILL)
            time.sleep(60)
        return was(*args, **more)

    setattr(owner, name, dying)


def play(folder: Path, profiles: Path, ends: list[str]) -> list[int]:
    """One process after another, forked before there is any thread; how each ended."""
    warm = LoopRun(folder.with_name("warm"), profiles)
    for first in (0, PUSH_MIN):  # what is compiled is so for all of them
        warm.push(first)
    warm.leave()
    codes = []
    for end in [*ends, ""]:
        pid = os.fork()
        if pid == 0:
            try:
                if end:
                    step, _, nth = end.partition(":")
                    die_before(step, int(nth))
                run = LoopRun(folder, profiles)
                run.go_on(MINUTES - run.minute)
                run.loop.save()
                run.leave()
            except BaseException as exc:
                sys.stderr.write(f"{end}: {exc!r}\n")
                os._exit(1)
            os._exit(0)
        codes.append(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
    return codes


if __name__ == "__main__":
    as_for_many()
    at = Path(sys.argv[1])
    make_profiles(at / "profiles")
    killed = play(at / "killed", at / "profiles", sys.argv[2:])
    sys.stdout.write(json.dumps(killed))
