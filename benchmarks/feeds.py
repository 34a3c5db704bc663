"""How many readings a second each feed brings in, beside the floor of its library reading the same rows.

    python benchmarks/feeds.py                 all of them
    python benchmarks/feeds.py SQLite MQTT     only those whose names hold one of these words

Two stations of three tags, a reading a minute each (arithmetic, not physics), lie in each kind of store or
wait at a broker; feed_stores.py has them. On the same rows are measured:

* the floor: the library underneath reads them all, and nothing is done with them;
* read: the feed reads them, judges each and turns it into kPa and L/s of a station;
* kept: the same, and all of it is in the journal on the disk. Nothing takes it from there (tick.py has that).

Pushes over HTTP go to a real ``steadyhead serve`` of 200 stations, which judges what comes meanwhile; their
floor is the web server underneath, which takes each body apart and answers.

Medians of three runs by the wall clock, because servers share in the work; behind "kept" the slowest and the
quickest. Every run begins with an empty journal. All servers are started here, on the loopback, as the tests
do it.
"""

from __future__ import annotations

import contextlib
import gc
import os
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))
import feed_stores
from tests.integration.feeds.made_rows import STATIONS

from steadyhead.config import Registry, load_registry
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.feeds.settings import KINDS
from steadyhead.live.clock import Clock
from steadyhead.live.connected import Connections
from steadyhead.live.doors import doors_of
from steadyhead.live.folders import Folders
from steadyhead.live.intake import Intake
from steadyhead.live.journal import Journal
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.watermarks import Waits, Watermarks

TIMES = 3
LONGEST_S = 120.0  # a run that takes longer hangs


class TimedIntake(Intake):
    """Knows how many readings it has taken, how long that took, and when it was done."""

    taken, kept_s, last_at = 0, 0.0, 0.0

    def commit(self, parts: Any) -> Any:
        began = time.perf_counter()
        counts = super().commit(parts)
        self.last_at = time.perf_counter()
        self.kept_s += self.last_at - began
        self.taken += sum(accepted for accepted, _ in counts)
        return counts


@contextlib.contextmanager
def door(registry: Registry):
    """An intake and its new journal, with nothing behind it."""
    folder = Path(tempfile.mkdtemp(prefix="steadyhead-bench-"))
    journal = Journal(folder)
    intake = TimedIntake(doors_of(registry), journal, Quarantine(folder, 1 << 20), Clock())
    intake.open(Watermarks(list(registry.stations.values()), Waits(600)))
    try:
        yield intake, journal, folder
    finally:
        journal.close()
        shutil.rmtree(folder)


def through_feed(store: feed_stores.Store) -> tuple[float, float]:
    """Seconds until a feed has brought all in, by the service's own threads; and those of the journal."""
    path = store.folder / "mapping.yaml"
    path.write_text(store.mapping)
    mapper = Mapper(load_mapping(path))
    tags = [rule.pattern.replace("{station}", name) for rule in mapper.mapping.tags for name in STATIONS]
    settings = KINDS[store.block["kind"]].model_validate({**store.block, "mapping": path})
    with door(mapper.registry(tags)) as (intake, journal, _):
        feeds = Connections({"it": settings}, intake, journal, lambda: 0, time.time, 300)
        began = time.perf_counter()
        feeds.start()
        try:
            while intake.taken < store.n:
                if time.perf_counter() - began > LONGEST_S:
                    sys.exit(f"{store.name}: {intake.taken:,} of {store.n:,} came; {feeds.states()}")
                time.sleep(0.002)
        finally:
            feeds.stop()
        return intake.last_at - began, intake.kept_s


def through_folders(store: feed_stores.Store) -> tuple[float, float]:
    """As ``through_feed``, of log folders."""
    registry = load_registry(store.folder / "stations.yaml")
    with door(registry) as (intake, journal, folder):
        began = time.perf_counter()
        Folders(registry, intake, journal, folder, lambda: 0, time.time, 300).poll()
        if intake.taken != store.n:
            sys.exit(f"{store.name}: {intake.taken:,} of {store.n:,} readings came")
        return intake.last_at - began, intake.kept_s


@dataclass
class Measured:
    """Seconds of each run."""

    floor_s: list[float] = field(default_factory=list)
    read_s: list[float] = field(default_factory=list)
    kept_s: list[float] = field(default_factory=list)

    def words(self, store: feed_stores.Store) -> str:
        n, floor_s = store.n, statistics.median(self.floor_s)

        def rate(seconds: list[float]) -> str:
            took_s = statistics.median(seconds)
            return f"{n / took_s:10,.0f} {floor_s / took_s:6.2f}"

        read = rate(self.read_s) if self.read_s else f"{'-':>10} {'-':>6}"
        spread = f"({n / max(self.kept_s):,.0f} to {n / min(self.kept_s):,.0f})"
        return (
            f"{store.name:<24}{n:>8,} {n / floor_s:12,.0f} {read} {rate(self.kept_s)}  {spread:<20} "
            f"{store.floor_is}"
        )


def measure(store: feed_stores.Store) -> Measured:
    found = Measured()
    for _ in range(TIMES):
        store.ready()
        gc.collect()
        began = time.perf_counter()
        n = store.floor()
        found.floor_s.append(time.perf_counter() - began)
        if n != store.n:
            sys.exit(f"{store.name}: its floor read {n:,} readings, not {store.n:,}")
        gc.collect()
        if isinstance(store, feed_stores.Pushed):
            found.kept_s.append(store.push())
            continue
        through: Callable[..., tuple[float, float]] = through_feed if store.block else through_folders
        took_s, journal_s = through(store)
        found.kept_s.append(took_s)
        found.read_s.append(took_s - journal_s)
    return found


def main(words: list[str]) -> None:
    began = time.monotonic()
    print(f"readings per second, medians of {TIMES} runs, and each as a share of the floor")
    print(f"{'feed':<24}{'readings':>8} {'floor':>12} {'read':>10} {'share':>6} {'kept':>10} {'share':>6}  "
          f"{'slowest to quickest':<20} the floor")  # fmt: skip
    with tempfile.TemporaryDirectory(prefix="steadyhead-bench-") as name:
        for number, (shown, make) in enumerate(feed_stores.STORES.items()):
            if words and not any(word.casefold() in shown.casefold() for word in words):
                continue
            folder = Path(name) / str(number)
            folder.mkdir()
            with contextlib.ExitStack() as stack:
                store = make(shown, folder, stack)
                print(measure(store).words(store), flush=True)
    print(f"took {time.monotonic() - began:.0f} s; load average {os.getloadavg()[0]:.1f} at the end")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        feed_stores.CHILDREN[sys.argv[2]](*sys.argv[3:])
    else:
        main(sys.argv[1:])
