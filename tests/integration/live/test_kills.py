"""Killed with SIGKILL at random moments, the service loses no accepted reading and repeats no alert."""

from __future__ import annotations

import random
import threading
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import select
from worker_bench import (
    HORIZON_S,
    batches,
    chosen_registry,
    differing_sizes,
    items,
    known,
    recorded,
    recorded_sizes,
)

from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.store.database import open_database
from steadyhead.store.tables import AnnouncementRow, AuditRow, RaiseRow

KILLS = 7
RESUMES_WITHIN_S = 10.0  # readings are accepted again; the machine does other things too
SHUFFLED_S = HORIZON_S - 61


def url_of(folder: Path) -> str:
    return f"sqlite:///{folder / 'steadyhead.db'}"


def differing(one: Readings, other: Readings) -> list[str]:
    return [c for c in CHANNELS if not np.array_equal(getattr(one, c), getattr(other, c), equal_nan=True)]


@pytest.mark.parametrize("seed", [1, 2])
def test_kills_at_random_moments(tmp_path: Path, seed: int, start_worker):
    path, registry = chosen_registry(
        tmp_path,
        "gorge_road",
        "cannery_road",
        "ferry_landing",
        "saltbush_flat",
        "harbour_east",
        "harbour_west",
    )
    profiles, data = tmp_path / "profiles", tmp_path / "data"
    facts = known(registry, profiles)
    expected = facts.alerts(registry)
    assert len({(station, condition) for station, condition, *_ in expected.values()}) >= 6
    rng = random.Random(seed)
    todo = list(batches(items(list(facts.logs.values()), seed, SHUFFLED_S), seed, 4000))
    fatal = set(rng.sample(range(1, len(todo)), KILLS))
    # half of the stations are made safe every half second, so that kills fall before, into and after that
    worker = start_worker(data, path, profiles, checkpoint_s=1.0, horizon_s=HORIZON_S)
    accepted, was_taken = 0, False
    for n, batch in enumerate(todo):
        if n in fatal:
            killer = threading.Timer(rng.uniform(0.0, 0.15), worker.process.kill)
            killer.start()
            try:
                answer = worker.ask(push=batch)
                time.sleep(0.2)
            except ConnectionError:
                answer = None
            killer.join()
            worker.kill()
            worker.start()
            if answer is not None:
                accepted += answer["accepted"]
                continue  # it was answered, so it must be there
            # killed between the commit and the answer, it is there too: sent again, it lies behind the marks
            # that it has moved itself, and counts as late
            there = worker.ask(status=True)["accepted"]
            was_taken, accepted = there > accepted, there
        answer = worker.ask(push=batch)  # what was not answered is sent again
        assert answer["late"] == 0 or was_taken, answer
        accepted, was_taken = accepted + answer["accepted"], False
    worker.ask(drain=True)
    worker.kill()  # once more, with everything judged and the end not yet come
    worker.start()
    worker.ask(rest=HORIZON_S + 1)
    worker.quit()

    assert recorded(url_of(data), registry) == expected
    assert differing_sizes(recorded_sizes(url_of(data), registry), facts.sizes(registry)) == []
    archive = EmbeddedArchive(data, {name: s.step_s for name, s in registry.stations.items()})
    for name, readings in facts.readings.items():
        kept = archive.read(name, readings.start_s, readings.end_s)
        assert differing(kept, readings) == [], name
    database = open_database(url_of(data))
    with database.reading() as session:
        raises = Counter((row.name, row.at_s) for row in session.scalars(select(RaiseRow)))
        told = Counter(
            (row.subject, row.what, row.to_state)
            for row in session.scalars(select(AuditRow))
            if row.who == "engine"
        )
        calls = Counter((row.alert_id, row.at_s) for row in session.scalars(select(AnnouncementRow)))
    database.close()
    assert set(raises.values()) == {1}
    assert set(told.values()) == {1}, told
    assert set(calls.values()) == {1}, calls
    assert max(worker.opened_s) < RESUMES_WITHIN_S, worker.opened_s
