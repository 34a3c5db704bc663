"""A real process is killed (SIGKILL) at the worst moments; another one goes on from the database."""

import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import select

from steadyhead.notify.sender import Sender
from steadyhead.store.database import open_database
from steadyhead.store.tables import AlertRow, OutboxRow

from .receivers import HttpReceiver, answer
from .worker import settings

FOLDER = Path(__file__).parents[1]
LEASE_S = 30  # timeout_s 2, five answers and 20 s to spare


def start(database_url: str, receiver: HttpReceiver, what: str) -> subprocess.Popen:
    words = [sys.executable, "-m", "notify.worker", database_url, receiver.url, what]
    return subprocess.Popen(words, cwd=FOLDER)


def ends_killed(process: subprocess.Popen) -> None:
    assert process.wait(timeout=60) == -signal.SIGKILL


@pytest.fixture
def go_on(database_url):
    """What a new process does that starts on the same database, ``after_s`` from now."""
    opened = []

    def act(receiver: HttpReceiver, after_s: float = 0.0) -> list[OutboxRow]:
        database = open_database(database_url)
        opened.append(database)
        sender = Sender(settings(receiver.url), database, lambda: time.time() + after_s)
        for _ in range(3):
            sender.look()
        with database.reading() as session:
            return list(session.scalars(select(OutboxRow)))

    yield act
    for database in opened:
        database.close()


def wait_until(holds, patience_s: float = 60) -> None:
    end = time.monotonic() + patience_s
    while not holds():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.02)


def test_killed_between_commit_and_send_it_is_sent_once_by_the_next(database_url, go_on):
    with HttpReceiver() as receiver:
        ends_killed(start(database_url, receiver, "die_after_commit"))
        assert receiver.requests == []
        (row,) = go_on(receiver)
        go_on(receiver, 100_000)
    assert row.sent_s is not None
    assert len(receiver.requests) == 1


def test_killed_inside_the_transaction_neither_alert_nor_message_is_there(database_url, go_on):
    with HttpReceiver() as receiver:
        ends_killed(start(database_url, receiver, "die_inside"))
        assert go_on(receiver) == []
        database = open_database(database_url)
        with database.reading() as session:
            assert session.scalar(select(AlertRow)) is None
        database.close()
    assert receiver.requests == []


def test_killed_while_sending_it_is_sent_again_under_the_same_key(database_url, go_on):
    """The receiver has the message and the process dies before the answer: the one case that can repeat."""
    released = threading.Event()

    def hold(handler):
        released.wait(30)
        answer(200)(handler)

    with HttpReceiver([hold, answer(200)]) as receiver:
        process = start(database_url, receiver, "send")
        wait_until(lambda: receiver.requests)
        process.kill()
        ends_killed(process)
        released.set()
        go_on(receiver, LEASE_S - 10)
        assert len(receiver.requests) == 1  # it could still be on its way
        go_on(receiver, LEASE_S + 5)
        rows = go_on(receiver, 100_000)
    first, again = receiver.requests
    assert first.headers["Idempotency-Key"] == again.headers["Idempotency-Key"]
    assert first.body == again.body
    assert [(row.tries, row.sent_s is not None) for row in rows] == [(2, True)]


def test_killed_after_the_record_it_is_never_sent_again(database_url, go_on):
    database = open_database(database_url)

    def is_recorded() -> bool:
        with database.reading() as session:
            return session.scalar(select(OutboxRow.sent_s)) is not None

    with HttpReceiver() as receiver:
        process = start(database_url, receiver, "send")
        wait_until(is_recorded)
        process.kill()
        ends_killed(process)
        go_on(receiver, 100_000)
    assert len(receiver.requests) == 1
    database.close()
