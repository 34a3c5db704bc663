"""Made-up readings of two stations, a service that reads a feed, and what is in its journal in the end.

The values are arithmetic, not physics: what is tried is that each arrives once and unchanged.
"""

from __future__ import annotations

import contextlib
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from steadyhead.config import ROLES, load_registry
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.live.reports import from_bytes
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import load_settings

from .made_rows import ENDS, START_S, STATIONS, rows, value

__all__ = ["ENDS", "MAPPING", "START_S", "STATIONS", "FeedService", "rows", "until", "value", "wanted"]

WORKER = Path(__file__).with_name("feed_worker.py")
MAPPING = """
utility: Marrow Vale Water (invented)
time_zone: Europe/London
step_s: 60
quality: {style: opc_da}
tags:
  - {pattern: "WW.{station}.PIN", role: inlet, unit: bar}
  - {pattern: "WW.{station}.POUT", role: outlet, unit: bar}
  - {pattern: "WW.{station}.FLOW", role: flow, unit: m3/h}
"""
# kPa and L/s in one of each, exact by definition
FACTOR = {"PIN": 100.0, "POUT": 100.0, "FLOW": 1 / 3.6}


def wanted(made: Any) -> Counter[tuple[str, str, int, float]]:
    """What a journal must hold of such rows."""
    found: Counter[tuple[str, str, int, float]] = Counter()
    for at_s, tag, number in made:
        _, station, end = tag.split(".")
        found[station, ENDS[end], at_s, round(number * FACTOR[end], 6)] += 1
    return found


@dataclass
class FeedService:
    """Settings, mapping and registry in a folder, and a service on them; in this process or in its own."""

    folder: Path
    feed: str
    mapping: str = MAPPING
    room: Room | None = field(default=None)
    process: subprocess.Popen[str] | None = field(default=None)
    kept: Counter[tuple[str, str, int, float]] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "mapping.yaml").write_text(self.mapping)
        mapper = Mapper(load_mapping(self.folder / "mapping.yaml"))
        patterns = [rule.pattern for rule in mapper.mapping.tags]
        tags = [pattern.replace("{station}", station) for station in STATIONS for pattern in patterns]
        (self.folder / "stations.yaml").write_text(mapper.registry_text(tags))
        self.write(self.feed)

    def write(self, feed: str) -> None:
        """Write the settings, with this block of the feed."""
        block = textwrap.indent(textwrap.dedent(feed).strip(), "    ")
        (self.folder / "service.yaml").write_text(
            "data_folder: data\nwatch_folders: false\ncheckpoint_s: 3600\nfeeds:\n  it:\n"
            f"    mapping: mapping.yaml\n{block}\n"
        )

    def open(self) -> Room:
        """Start it in this process."""
        settings = load_settings(self.folder / "service.yaml")
        self.room = open_room(settings, load_registry(self.folder / "stations.yaml"))
        self.room.start()
        return self.room

    def close(self) -> None:
        """Stop it, however it runs."""
        if self.room is not None:
            self.room.connections.stop()
            self.kept = self.journal()  # stopping in order judges everything and empties the journal
            self.room.stop()
            self.room = None
        self.kill()

    def spawn(self) -> None:
        """Start it in a process of its own."""
        words = [
            sys.executable,
            str(WORKER),
            str(self.folder / "service.yaml"),
            str(self.folder / "stations.yaml"),
        ]
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "started\n"

    def kill(self) -> None:
        """End its process as a power cut would."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            assert self.process.stdout is not None
            self.process.stdout.close()
            self.process = None

    # ------------------------------------------------------------ what came of it

    def journal(self) -> Counter[tuple[str, str, int, float]]:
        """Every reading that came into the journal: station, role, time, value."""
        found = self.kept.copy()
        for (body,) in self._ask("SELECT body FROM records WHERE kind = 'readings' ORDER BY no"):
            reports = from_bytes(body)
            for which, role, us, number in zip(
                reports.which.tolist(),
                reports.role.tolist(),
                reports.us.tolist(),
                reports.values.tolist(),
                strict=True,
            ):
                if not np.isnan(number):
                    found[reports.names[which], ROLES[role], us // 1_000_000, round(number, 6)] += 1
        return found

    def accepted(self) -> int:
        """Readings counted as accepted or late."""
        return sum(n for (n,) in self._ask("SELECT accepted + late FROM counts WHERE source = 'feed:it'"))

    def refusals(self) -> dict[str, tuple[int, str]]:
        """Refusals by reason: how many, and an example."""
        asked = "SELECT reason, sum(n), max(example) FROM refusals GROUP BY reason"
        return {why: (n, example) for why, n, example in self._ask(asked)}

    def listen(self) -> None:
        """Wait until the broker has taken the feed's subscription."""
        assert self.room is not None
        (feed,) = self.room.connections._feeds
        until(lambda: getattr(feed.connector, "is_listening", False))

    def state(self) -> Any:
        """How the feed is said to be doing."""
        assert self.room is not None
        return self.room.connections.states()["feed:it"]

    def _ask(self, statement: str) -> list[Any]:
        path = self.folder / "data" / "journal.db"
        if not path.exists():
            return []
        with contextlib.closing(sqlite3.connect(path, timeout=10)) as connection:
            try:
                return connection.execute(statement).fetchall()
            except sqlite3.OperationalError:  # not laid out yet
                return []

    def wait_for(self, n: int, seconds: float = 60.0) -> None:
        """Wait until so many readings were accepted."""
        until(lambda: self.accepted() >= n, seconds, lambda: f"{self.accepted()} of {n}; {self._said()}")

    def _said(self) -> str:
        return str(self.state()) if self.room is not None else ""


def until(is_so: Callable[[], bool], seconds: float = 30.0, said: Callable[[], str] = lambda: "") -> None:
    """Wait for something, and fail if it does not come."""
    end = time.monotonic() + seconds
    while not is_so():
        assert time.monotonic() < end, f"did not happen in {seconds} s: {said()}"
        time.sleep(0.03)
