"""Workers that are gone when their test is over, however that ended."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sharing_bench import Fleet
from worker_bench import Known, Worker

from steadyhead.config import Registry

StartWorker = Callable[..., Worker]
Facts = tuple[Path, Registry, Path, Known]


@pytest.fixture
def start_worker() -> Iterator[StartWorker]:
    started: list[Worker] = []

    def start(folder: Path, registry: Path, profiles: Path, **settings: Any) -> Worker:
        started.append(Worker(folder, registry, profiles, settings))
        return started[-1]

    yield start
    for worker in started:
        worker.kill()


@pytest.fixture
def fleet(tmp_path: Path, facts: Facts, postgres_url: str) -> Iterator[Fleet]:
    """Processes that share the fleet which the module chose as its ``facts``."""
    path, registry, profiles, _ = facts
    made = Fleet(tmp_path, postgres_url, path, registry, profiles)
    yield made
    made.end()
    (profiles / "fleet-id").unlink(missing_ok=True)  # the next test has a database of its own
