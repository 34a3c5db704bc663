"""Several processes that share a fleet in a PostgreSQL, driven, killed, paused and compared with one run."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
from sqlalchemy import select
from worker_bench import HORIZON_S, Known, Worker, recorded

from steadyhead.archive.archive import Keep
from steadyhead.archive.place import ArchivePlace
from steadyhead.config import Registry
from steadyhead.readings.frame import CHANNELS
from steadyhead.store.database import open_database
from steadyhead.store.tables import AuditRow, RaiseRow, ShareCountRow

SHARES = 8
LEASE_S, RENEW_S = 3.0, 0.5  # short, so that a test need not wait; the defaults have a test of their own


@dataclass
class SharingWorker(Worker):
    """See ``Worker``."""

    script: Path = field(default_factory=lambda: Path(__file__).with_name("sharing_worker.py"))


@dataclass
class Fleet:
    """Processes by name, all on one database; each has a data folder of its own."""

    folder: Path
    url: str
    registry_path: Path
    registry: Registry
    profiles: Path
    more: dict[str, Any] = field(default_factory=dict)
    sharing: dict[str, Any] = field(default_factory=dict)
    workers: dict[str, SharingWorker] = field(default_factory=dict)

    def start(self, name: str, **more: Any) -> SharingWorker:
        settings = {
            "database_url": self.url, "checkpoint_s": 0.5, "horizon_s": HORIZON_S, **self.more, **more,
            "sharing": {
                "name": name, "folder": str(self.folder / "shared"), "shares": SHARES, "lease_s": LEASE_S,
                "renew_s": RENEW_S, **self.sharing,
            },
        }  # fmt: skip
        self.workers[name] = SharingWorker(self.folder / name, self.registry_path, self.profiles, settings)
        return self.workers[name]

    def start_all(self, *names: str, **more: Any) -> None:
        """Several at once, which on a busy machine takes less long."""
        with ThreadPoolExecutor(len(names)) as pool:
            list(pool.map(lambda name: self.start(name, **more), names))

    def owners(self) -> dict[str, str | None]:
        """Name of the member that holds each share, as the database has it."""
        with psycopg.connect(self.url) as connection:
            rows = connection.execute(
                "SELECT h.name, m.name FROM holdings h LEFT JOIN members m ON m.id = h.owner "
                "WHERE h.name LIKE 'stations:%'"
            ).fetchall()
        return dict(rows)

    def wait_until_all_is_owned_by(self, *names: str, within_s: float = 60.0) -> float:
        """Until the shares are divided among these and judged by them; how long that took [s]."""
        began = time.monotonic()
        most = -(-SHARES // len(names))
        while True:
            count = Counter(self.owners().values())
            if set(count) == set(names) and max(count.values()) <= most and self._all_running(names):
                return time.monotonic() - began
            if time.monotonic() - began > within_s:
                told = {name: worker.ask(status=True)["words"] for name, worker in self.workers.items()}
                raise AssertionError(f"{count}: {told}")
            time.sleep(0.05)

    def _all_running(self, names: tuple[str, ...]) -> bool:
        running = sum(
            sum(one.startswith("stations:") for one in self.workers[name].ask(held=True)["running"])
            for name in names
        )
        return running == SHARES

    def settle(self) -> None:
        """Let everything that came be judged: what a dead one had is taken over first, and time passes."""
        self.wait_until_all_is_owned_by(*self.workers)
        for _ in range(3):
            for worker in self.workers.values():
                worker.ask(drain=True)
            for worker in self.workers.values():
                worker.ask(move=HORIZON_S + 1)
        for worker in self.workers.values():
            worker.ask(drain=True)

    def finish(self) -> None:
        """Let everything that came be judged, then stop all in order."""
        self.settle()
        for worker in self.workers.values():
            worker.quit()
        self.workers.clear()

    def compare(self, facts: Known) -> None:
        """Alerts and readings are those of an undisturbed run; nothing lost, nothing told twice."""
        assert recorded(self.url, self.registry) == facts.alerts(self.registry)
        steps_s = {name: station.step_s for name, station in self.registry.stations.items()}
        archive = ArchivePlace("embedded", self.folder / "shared", Keep()).open(steps_s)
        for name, readings in facts.readings.items():
            kept = archive.read(name, readings.start_s, readings.end_s)
            for channel in CHANNELS:
                found, wanted = getattr(kept, channel), getattr(readings, channel)
                assert found.shape == wanted.shape, (name, channel)
                differs = np.flatnonzero(~((found == wanted) | (np.isnan(found) & np.isnan(wanted))))
                assert not len(differs), (name, channel, len(wanted), differs[:5], differs[-1])
        database = open_database(self.url)
        with database.reading() as session:
            raises = Counter((row.name, row.at_s) for row in session.scalars(select(RaiseRow)))
            told = Counter(
                (row.subject, row.what, row.to_state)
                for row in session.scalars(select(AuditRow))
                if row.who == "engine"
            )
            late = sum(session.scalars(select(ShareCountRow.late)))
        database.close()
        assert set(raises.values()) == {1}
        assert set(told.values()) == {1}, told
        assert late == 0

    def end(self) -> None:
        for worker in self.workers.values():
            worker.kill()


def push(workers: Iterator[SharingWorker], batch: list[dict[str, Any]], within_s: float = 60.0) -> None:
    """Send to one after the other until one answers that it is accepted, as a careful sender would."""
    until = time.monotonic() + within_s
    while True:
        try:
            answer = next(workers).ask(push=batch)
        except (ConnectionError, ValueError):
            answer = {"error": "no answer"}
        if "accepted" in answer:
            return
        assert time.monotonic() < until, answer
        time.sleep(0.1)


def wait_for(is_so: Callable[[], bool], within_s: float = 60.0) -> float:
    """How long it took [s]."""
    began = time.monotonic()
    while not is_so():
        assert time.monotonic() - began < within_s, "it did not come to that"
        time.sleep(0.05)
    return time.monotonic() - began
