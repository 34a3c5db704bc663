"""Workers that are gone when their test is over, however that ended."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from worker_bench import Worker

StartWorker = Callable[..., Worker]


@pytest.fixture
def start_worker() -> Iterator[StartWorker]:
    started: list[Worker] = []

    def start(folder: Path, registry: Path, profiles: Path, **settings: Any) -> Worker:
        started.append(Worker(folder, registry, profiles, settings))
        return started[-1]

    yield start
    for worker in started:
        worker.kill()
