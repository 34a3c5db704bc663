"""How long one minute of a fleet takes in the live run, on one core, and where the time goes.

    python benchmarks/tick.py                  10,000 stations, 12 minutes
    python benchmarks/tick.py --stations 2000 --minutes 30 --profile

The parts of the live run are driven in this process by a made-up clock, without threads and without HTTP:
every minute each station's reading of three values is pushed in batches of 500 stations (parsed, checked,
on the disk), then the run takes what is in the journal and judges every station's row of that minute: the
tick. Every five minutes all is made safe (archive, checkpoints, journal), part by part in another thread, and
once more at the end in one go, as at a stop. Judging waits only while a snapshot of a part is taken;
accepting and tick of a minute in which the first part is on its way are given beside the others. Seconds are
of this process's processor time, all threads together; the wall clock's are beside them. Median, quickest and
slowest minute; the first minutes, in which the horizon fills, are left out.
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import os
import pstats
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from live import BATCH, body, made_up_profile, registry_text, write_profiles
from numpy.random import Generator, default_rng
from sqlalchemy import func, select

from steadyhead.archive.archive import Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.config import load_registry
from steadyhead.desk.desk import Desk
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.live.clock import Clock
from steadyhead.live.doors import doors_of
from steadyhead.live.intake import Intake
from steadyhead.live.journal import Journal
from steadyhead.live.loop import Loop
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.settings import RoomSettings
from steadyhead.live.watermarks import Waits
from steadyhead.profile.model import Profile
from steadyhead.store.database import open_database
from steadyhead.store.tables import CheckpointRow

TARGET_S = 2.0  # for 10,000 stations
PAUSE_TARGET_S = 0.3  # in which judging waits for a snapshot, for 10,000 stations
START_S = 1_767_225_600  # 2026-01-01 00:00 UTC
HORIZON_S = 60
CHECKPOINT_MIN = 5
FILLING = 3  # minutes before every minute judges one row of each station


@dataclass
class Run:
    """The parts of a live run, and a clock that stands until it is moved."""

    folder: Path
    n: int
    profile: Profile
    keep: Keep = field(default_factory=Keep)
    at_s: float = START_S
    loop: Loop = field(init=False)
    intake: Intake = field(init=False)

    def __post_init__(self) -> None:
        (self.folder / "stations.yaml").write_text(registry_text(self.n))
        write_profiles(self.folder / "profiles", self.n, self.profile)
        registry = load_registry(self.folder / "stations.yaml")
        data = self.folder / "data"
        data.mkdir()
        self.database = open_database(RoomSettings(data_folder=data).database)
        clock = Clock(lambda: self.at_s, lambda: self.at_s)
        self.journal = Journal(data)
        steps_s = {name: station.step_s for name, station in registry.stations.items()}
        self.archive = EmbeddedArchive(data, steps_s, self.keep)
        self.desk = Desk(self.database, load_knowledge(), registry, clock.wall_s)
        files = ProfileFiles(self.folder / "profiles", registry.stations)
        self.loop = Loop(
            registry, Waits(HORIZON_S), self.journal, self.database, self.archive, self.desk, files
        )
        self.intake = Intake(doors_of(registry), self.journal, Quarantine(data, 1 << 20), clock)
        self.intake.open(self.loop.restore())
        self.loop.equip()
        gc.collect()
        gc.freeze()  # as the service does

    def push(self, bodies: list[bytes]) -> None:
        for one in bodies:
            answer = self.intake.push_json(one, "bench")
            if answer.refused or answer.late:
                sys.exit(f"not all was accepted: {answer.late} late, {answer.refused[:1]}")

    def wait_until_safe(self) -> None:
        """Wait for the part that was begun; ends the program if that failed."""
        while (is_safe := self.loop.saver.ended()) is None:
            time.sleep(0.005)
        if not is_safe:
            sys.exit(f"not made safe: {self.loop.health}")

    def checkpoint_mb(self) -> float:
        with self.database.reading() as session:
            return (session.scalar(select(func.sum(func.length(CheckpointRow.state)))) or 0) / 1e6


def bodies_of(n: int, at_s: int, rng: Generator) -> list[bytes]:
    return [body(first, min(first + BATCH, n), at_s, rng) for first in range(0, n, BATCH)]


@dataclass
class Timed:
    """Processor and wall seconds of one job, minute by minute."""

    used_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)

    def add(self, act: Callable[[], object]) -> None:
        gc.collect()
        used, took = time.process_time(), time.perf_counter()
        act()
        self.used_s.append(time.process_time() - used)
        self.took_s.append(time.perf_counter() - took)

    def words(self, n: int) -> str:
        used = statistics.median(self.used_s)
        return (
            f"{used:7.2f} s ({min(self.used_s):.2f} to {max(self.used_s):.2f}), "
            f"{used / n * 1e6:5.0f} us a station, wall {statistics.median(self.took_s):.2f} s"
        )


@dataclass
class Safe:
    """Making all safe, part by part.

    pauses_s : in which judging waited for a snapshot; took_s : seconds of the clock until all was safe
    accepting, tick : of minutes in which a part is on its way
    """

    pauses_s: list[float] = field(default_factory=list)
    took_s: list[float] = field(default_factory=list)
    accepting: Timed = field(default_factory=Timed)
    tick: Timed = field(default_factory=Timed)
    in_one_go: Timed = field(default_factory=Timed)

    def begin(self, run: Run) -> None:
        gc.collect()
        self._began = time.perf_counter()
        run.loop.begin_save()
        self.pauses_s.append(time.perf_counter() - self._began)

    def end(self, run: Run) -> None:
        """Wait for the part that was begun, and have the others made safe."""
        run.wait_until_safe()
        took_s = time.perf_counter() - self._began
        for _ in range(run.loop.saver.n_parts - 1):
            self.begin(run)
            run.wait_until_safe()
            took_s += time.perf_counter() - self._began
        self.took_s.append(took_s)

    def report(self, n: int, n_parts: int, size_mb: float) -> None:
        longest_s = max(self.pauses_s)
        print(
            f"checkpoint             judging waits {statistics.median(self.pauses_s):.3f} s a part, "
            f"{longest_s:.3f} s at most; {n_parts} part(s), {statistics.median(self.took_s):.1f} s in all, "
            f"{size_mb:.1f} MB"
        )
        if self.tick.used_s:
            print(f"  accepting meanwhile  {self.accepting.words(n)}")
            print(f"  live tick meanwhile  {self.tick.words(n)}")
        print(f"all made safe at once  {self.in_one_go.words(n)}")
        if n == 10_000:
            is_met = longest_s < PAUSE_TARGET_S
            print(f"target for the pause: under {PAUSE_TARGET_S:g} s: {'met' if is_met else 'MISSED'}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--stations", type=int, default=10_000)
    parser.add_argument("--minutes", type=int, default=12)
    parser.add_argument("--profile", action="store_true", help="where the time of tick and checkpoint goes")
    asked = parser.parse_args()
    n, rng, prof = asked.stations, default_rng(2), cProfile.Profile()
    accepting, tick, safe = Timed(), Timed(), Safe()
    with tempfile.TemporaryDirectory(prefix="steadyhead-bench-") as name:
        run = Run(Path(name), n, made_up_profile())
        for minute in range(asked.minutes + FILLING):
            at_s = START_S + 60 * minute
            run.at_s = at_s + 1.0
            bodies = bodies_of(n, at_s, rng)
            judged = run.loop.judged_rows
            counts, is_safe_now = minute >= FILLING, minute % CHECKPOINT_MIN == CHECKPOINT_MIN - 1
            if asked.profile and counts:
                prof.enable()
            if is_safe_now:
                safe.begin(run)
            pushed, ticked = (safe.accepting, safe.tick) if is_safe_now else (accepting, tick)
            (pushed if counts else Timed()).add(lambda bodies=bodies: run.push(bodies))
            (ticked if counts else Timed()).add(run.loop.step)
            if is_safe_now:
                safe.end(run)
            prof.disable()
            if counts and run.loop.judged_rows - judged != n:
                sys.exit(f"minute {minute}: {run.loop.judged_rows - judged} rows judged, not {n}")
        run.at_s += 60  # one more minute, so that every station has something to be made safe
        run.push(bodies_of(n, at_s + 60, rng))
        run.loop.step()
        safe.in_one_go.add(run.loop.save)
        size_mb = run.checkpoint_mb()
    load = os.getloadavg()
    print(f"{n:,} stations, one reading of three values each a minute; load average {load[0]:.1f} at the end")
    print(f"accepting one minute   {accepting.words(n)}")
    print(f"live tick              {tick.words(n)}")
    if safe.took_s:
        safe.report(n, run.loop.saver.n_parts, size_mb)
    used = statistics.median(tick.used_s)
    if n == 10_000:
        print(f"target for the tick: under {TARGET_S:g} s: {'met' if used < TARGET_S else 'MISSED'}")
    if asked.profile:
        pstats.Stats(prof).sort_stats("tottime").print_stats(35)
        pstats.Stats(prof).sort_stats("cumulative").print_stats(35)


if __name__ == "__main__":
    main()
