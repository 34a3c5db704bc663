"""Making all safe: killed in its middle, or the database locked or gone, nothing is lost or told twice."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from loop_bench import MINUTES, LoopRun, as_for_many
from sqlalchemy import select

from steadyhead.errors import ArchiveError
from steadyhead.live import checkpoint, saver
from steadyhead.store import database as store
from steadyhead.store.tables import AnnouncementRow, AuditRow, CheckpointRow, RaiseRow

BENCH = Path(__file__).with_name("loop_bench.py")
KILLS = ["flush:3", "write:2", "insert:2", "prune:1", "write:4"]


@pytest.fixture
def many(monkeypatch: pytest.MonkeyPatch) -> None:
    for owner, name in ((saver, "PART"), (saver, "PAUSE_S"), (checkpoint, "AT_A_TIME")):
        monkeypatch.setattr(owner, name, getattr(owner, name))  # put back at the end
    as_for_many()
    monkeypatch.setattr(store, "BUSY_S", 0.3)  # a lock that stays is not waited for long


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Profiles, and what came of the killed processes."""
    folder = tmp_path_factory.mktemp("played")
    done = subprocess.run([sys.executable, BENCH, folder, *KILLS], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == [-9] * len(KILLS) + [0], done.stderr
    return folder


@pytest.fixture(scope="module")
def undisturbed(played: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    run = LoopRun(tmp_path_factory.mktemp("undisturbed"), played / "profiles")
    run.go_on(MINUTES)
    assert run.loop.save()
    found = run.found()
    run.leave()
    assert {station for station, *_ in found["alerts"].values()} == {"s0", "s1"}
    return found


def told_once(run: LoopRun) -> None:
    """Nothing was raised, told or called for a second time."""
    with run.database.reading() as session:
        raises = Counter((row.name, row.at_s) for row in session.scalars(select(RaiseRow)))
        told = Counter(
            (row.subject, row.what, row.to_state)
            for row in session.scalars(select(AuditRow))
            if row.who == "engine"
        )
        calls = Counter((row.alert_id, row.at_s) for row in session.scalars(select(AnnouncementRow)))
    assert set(raises.values()) == set(told.values()) == set(calls.values()) == {1}, (raises, told, calls)


def test_killed_in_every_step_of_making_safe_all_is_as_if_it_had_run_on(played: Path, undisturbed):
    run = LoopRun(played / "killed", played / "profiles")
    assert run.found() == undisturbed
    assert run.minute == MINUTES
    told_once(run)
    assert not run.journal.read(0), "the last process ended in order"
    run.leave()


def test_parts_are_made_safe_in_turn_and_the_journal_keeps_what_the_last_of_them_needs(
    tmp_path: Path, played: Path, many
):
    run = LoopRun(tmp_path / "data", played / "profiles")
    assert run.loop.saver.n_parts == 2
    run.go_on(5)
    run.loop.saver.wait()
    first = saved_at(run)
    assert set(first) < set(run.loop.order.places)
    assert run.journal.read(0), "the other part needs all of them"
    run.go_on(10)  # so does the next part
    run.loop.saver.wait()
    assert saved_at(run).keys() == run.loop.order.places.keys()
    assert {name: saved_at(run)[name] for name in first} == first
    assert run.journal.read(0)[0].no == 1 + min(first.values())
    for pair in (("s0", "s1"), ("s2", "s3")):
        assert len({saved_at(run)[name] for name in pair}) == 1, "a zone is of one moment"
    run.leave()


def saved_at(run: LoopRun) -> dict[str, int]:
    with run.database.reading() as session:
        return {row.station: row.journal_no for row in session.scalars(select(CheckpointRow))}


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    other = sqlite3.connect(folder / "steadyhead.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        other.close()


@contextmanager
def gone(folder: Path) -> Iterator[None]:
    away = folder / "away"
    away.mkdir()
    for one in folder.glob("steadyhead.db*"):
        one.rename(away / one.name)
    try:
        yield
    finally:
        for one in away.glob("*"):
            one.rename(folder / one.name)


@pytest.mark.parametrize("is_killed", [True, False])
@pytest.mark.parametrize(("trouble", "word"), [(locked, "locked"), (gone, "is gone")])
def test_a_checkpoint_that_cannot_be_written_is_shown_and_nothing_is_lost_or_told_twice(
    tmp_path: Path, played: Path, undisturbed, many, trouble: Callable[..., Any], word: str, is_killed: bool
):
    run = LoopRun(tmp_path / "data", played / "profiles")
    run.go_on(60)
    assert run.save()
    before, judged = saved_at(run), run.loop.judged_rows
    with trouble(run.folder):
        run.go_on(5)  # nothing is to be told now, so judging goes on
        assert run.loop.judged_rows > judged
        assert not run.save()
        for _ in range(2):  # it is shown as long as it lasts
            run.loop.step()
            status = run.board.status("running")
            assert not status.database_ok
            assert word in (status.database_words or "")
            assert word in status.words
            assert "judged" in status.words
        assert run.journal.read(0)[-1].no == run.loop.done_no > max(before.values())
    assert saved_at(run) == before
    if not is_killed:
        assert run.save()
        assert set(saved_at(run).values()) == {run.loop.done_no}
        assert run.board.status("running").database_ok
        assert run.board.status("running").words == "running"
        assert not run.journal.read(0)
    run.leave()  # with what is not safe
    run = LoopRun(tmp_path / "data", played / "profiles")
    run.go_on(MINUTES - run.minute)
    assert run.save()
    assert run.found() == undisturbed
    told_once(run)
    run.leave()


def test_an_archive_that_cannot_be_written_leaves_checkpoints_and_journal_as_they_are(
    tmp_path: Path, played: Path, many, monkeypatch: pytest.MonkeyPatch
):
    run = LoopRun(tmp_path / "data", played / "profiles")
    run.go_on(20)
    assert run.save()
    before = saved_at(run)

    def full(*_: object) -> None:
        raise ArchiveError("no room")

    with monkeypatch.context() as broken:
        broken.setattr(run.archive, "flush", full)
        run.go_on(5)
        assert not run.save()
        assert run.loop.health.archive == "no room"
    assert saved_at(run) == before
    assert run.journal.read(0)[-1].no == run.loop.done_no
    assert run.save()
    assert run.loop.health.archive is None
    assert set(saved_at(run).values()) == {run.loop.done_no}
    run.leave()
