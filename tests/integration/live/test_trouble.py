"""A database that is gone and a disk that is full: readings go on being accepted, or are refused in words."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from worker_bench import HORIZON_S, Known, Worker, batches, chosen_registry, items, known, recorded

from steadyhead.config import Registry
from steadyhead.live.journal import Journal
from steadyhead.live.reports import from_bytes


@pytest.fixture(scope="module")
def facts(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Registry, Path, Known]:
    folder = tmp_path_factory.mktemp("facts")
    path, registry = chosen_registry(folder, "gorge_road", "saltbush_flat")
    return path, registry, folder / "profiles", known(registry, folder / "profiles")


def wait_for(is_so: Callable[[], bool], within_s: float = 30.0) -> None:
    until = time.monotonic() + within_s
    while not is_so():
        assert time.monotonic() < until, "it did not come to that"
        time.sleep(0.05)


def push_while(worker: Worker, todo: list[Any], lose: Callable[[], None], find: Callable[[], None]) -> None:
    """Push a third, lose something, push a third and see what is said of it, find it again, push the rest."""
    third = len(todo) // 3
    for batch in todo[:third]:
        worker.ask(push=batch)
    worker.ask(drain=True)
    lose()
    accepted = [worker.ask(push=batch) for batch in todo[third : 2 * third]]
    assert all("accepted" in answer for answer in accepted), accepted
    wait_for(lambda: not worker.ask(status=True)["database_ok"])
    status = worker.ask(status=True)
    assert status["state"] == "waiting"
    assert "readings are accepted and wait" in status["words"]
    assert status["database_words"]
    find()
    for batch in todo[2 * third :]:
        worker.ask(push=batch)
    worker.ask(rest=HORIZON_S + 1)
    wait_for(lambda: worker.ask(status=True)["database_ok"])
    assert worker.ask(status=True)["state"] == "running"


def test_a_database_file_that_is_gone_for_a_while(tmp_path: Path, facts, start_worker):
    path, registry, profiles, about = facts
    worker = start_worker(tmp_path, path, profiles, checkpoint_s=0.5)
    todo = list(batches(items(list(about.logs.values()), 5, 200), 5, 800))
    file, away = tmp_path / "steadyhead.db", tmp_path / "away"
    away.mkdir()

    def lose() -> None:
        for one in tmp_path.glob("steadyhead.db*"):
            one.rename(away / one.name)

    def find() -> None:
        for one in away.glob("*"):
            one.rename(tmp_path / one.name)

    push_while(worker, todo, lose, find)
    worker.quit()
    assert recorded(f"sqlite:///{file}", registry) == about.alerts(registry)


def test_a_postgresql_that_is_stopped_for_a_while_and_a_kill_meanwhile(
    tmp_path: Path, facts, start_worker, own_postgres_server
):
    path, registry, profiles, about = facts
    server = own_postgres_server
    server.execute("CREATE DATABASE steadyhead")
    url = server.url("steadyhead")
    worker = start_worker(tmp_path, path, profiles, checkpoint_s=0.5, database_url=url)
    todo = list(batches(items(list(about.logs.values()), 6, 200), 6, 800))

    def find() -> None:
        worker.kill()  # what was accepted while the database was away is in the journal alone
        server.start()
        worker.start()

    push_while(worker, todo, server.stop, find)
    worker.quit()
    assert recorded(url, registry) == about.alerts(registry)


@contextlib.contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A file system of 96 MB, where we may make one; else the folder itself."""
    folder.mkdir()
    mounted = os.geteuid() == 0 and not subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=96m", "tmpfs", str(folder)], check=False, capture_output=True
    ).returncode  # fmt: skip
    try:
        yield folder
    finally:
        if mounted:
            subprocess.run(["umount", "-l", str(folder)], check=True)


def fill(path: Path) -> None:
    """Write until the disk is full."""
    with path.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 65536)


def readings_in(folder: Path) -> int:
    journal = Journal(folder)
    try:
        assert sum(r.n_items for r in journal.read(0, 10**9)) == sum(
            len(from_bytes(r.body)) for r in journal.read(0, 10**9) if r.kind == "readings"
        )
        return sum(count.accepted for count in journal.source_counts())
    finally:
        journal.close()


def test_a_full_disk_refuses_in_words_keeps_whole_batches_and_goes_on_when_there_is_room(
    tmp_path: Path, facts, start_worker
):
    path, registry, profiles, about = facts
    todo = list(batches(items(list(about.logs.values()), 7, 200), 7, 800))
    with small_disk(tmp_path / "disk") as disk:
        worker = start_worker(disk, path, profiles, checkpoint_s=3600)
        hog = disk / "hog"
        accepted, n_refused = 0, 0
        for n, batch in enumerate(todo):
            if n == len(todo) // 3 and os.path.ismount(disk):  # no room for more
                fill(hog)
            if n == len(todo) // 2:  # a write that fails in its middle
                worker.ask(limit=max(one.stat().st_size for one in disk.glob("journal.db*")) + 4096)
            answer = worker.ask(push=batch)
            if "error" in answer:
                n_refused += 1
                assert answer["kind"] == "JournalError"
                assert "refused until there is room" in answer["error"]
                assert "try again" in answer["error"]
                assert worker.ask(status=True)["journal_ok"] is False
                hog.unlink(missing_ok=True)
                worker.ask(limit=None)
                answer = worker.ask(push=batch)
            accepted += answer["accepted"]
        assert n_refused == (2 if os.path.ismount(disk) else 1)
        worker.ask(rest=HORIZON_S + 1)
        worker.kill()
        assert (
            readings_in(disk)
            == accepted
            == sum(
                int((s.values == s.values).sum()) for log in about.logs.values() for s in log.series.values()
            )
        )
        worker.start()
        worker.quit()
        assert recorded(f"sqlite:///{disk / 'steadyhead.db'}", registry) == about.alerts(registry)


def test_a_second_service_on_the_same_folder_is_turned_away(tmp_path: Path, facts, start_worker):
    path, _, profiles, _ = facts
    worker = start_worker(tmp_path, path, profiles)
    with pytest.raises(ConnectionError):
        start_worker(tmp_path, path, profiles)
    assert worker.ask(status=True)["state"] in ("running", "replaying")
    worker.kill()
    worker.start()  # the lock went with the process
    worker.quit()


def test_telemetry_loss_is_raised_although_the_service_was_killed_meanwhile(
    tmp_path: Path, facts, start_worker
):
    path, _registry, profiles, about = facts
    readings = about.readings["gorge_road"]
    worker = start_worker(tmp_path, path, profiles, silence_s=600)
    shift_s = int(time.time()) // 300 * 300 - readings.end_s + 300  # as if it were of today

    def push(first: int, last: int) -> None:
        worker.ask(push=[
            {"station": "gorge_road", "time": int(at) + shift_s,
             "values": {"inlet": i, "outlet": o, "flow": q}}
            for at, i, o, q in zip(
                readings.times_s[first:last], readings.inlet_kpa[first:last].tolist(),
                readings.outlet_kpa[first:last].tolist(), readings.flow_lps[first:last].tolist(), strict=True,
            ) if i == i and o == o and q == q
        ])  # fmt: skip

    push(len(readings) - 500, len(readings) - 10)
    worker.ask(drain=True)
    worker.ask(rest=700)
    worker.kill()
    worker.start()
    for _ in range(3):
        worker.ask(rest=700)
    view = worker.ask(station="gorge_road")
    worker.quit()
    assert view["regime"] == "silent"
    found = recorded(f"sqlite:///{tmp_path / 'steadyhead.db'}", facts[1])
    assert "telemetry_loss" in {condition for _, condition, *_ in found.values()}, json.dumps(view)
