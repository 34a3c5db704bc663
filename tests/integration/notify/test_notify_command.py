"""``steadyhead notify`` run as a person would, in a process of its own."""

import json
import os
import subprocess
import sys
import time

import pytest

from steadyhead.desk.desk import Desk
from steadyhead.live.settings import load_settings
from steadyhead.notify.plan import Plan
from steadyhead.notify.sender import Sender
from steadyhead.store.database import open_database

from .messages import KNOWLEDGE, REGISTRY, verdict
from .receivers import HttpReceiver, answer


@pytest.fixture
def command(tmp_path):
    def run(*words: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [
                sys.executable,
                "-m",
                "steadyhead",
                "notify",
                *words,
                "--settings",
                str(tmp_path / "service.yaml"),
            ],
            capture_output=True,
            text=True,
            timeout=120,
            env={**os.environ, "COLUMNS": "200"},
            check=False,
        )

    return run


@pytest.fixture
def write(tmp_path):
    def act(receiver: HttpReceiver) -> None:
        (tmp_path / "hook.key").write_text("secret-key")
        (tmp_path / "service.yaml").write_text(
            "data_folder: data\n"
            "notify:\n"
            "  trying: {give_up_after_h: 0.0001}\n"
            "  web_hooks:\n"
            f"    control_room: {{url: {receiver.url}, sign_with: {{file: {tmp_path / 'hook.key'}}}}}\n"
            "  rules:\n"
            "    - {channels: control_room, at_least: medium, zones: north}\n"
        )

    return act


def test_a_test_message_arrives_and_says_that_it_is_one(command, write):
    with HttpReceiver() as receiver:
        write(receiver)
        done = command("test", "control_room")
    assert (done.returncode, done.stderr) == (0, "")
    assert "control_room: the receiver has taken the test message" in done.stdout
    (request,) = receiver.requests
    assert json.loads(request.body) | {"key": "", "made_at": ""} == {
        "kind": "test", "key": "", "made_at": "", "changes": [],
    }  # fmt: skip
    assert request.headers["Steadyhead-Signature"].startswith("sha256=")


def test_a_test_message_that_is_not_taken_is_told_in_a_line(command, write):
    with HttpReceiver([answer(500, "not today")]) as receiver:
        write(receiver)
        done = command("test", "control_room")
    assert done.returncode == 2
    assert done.stderr == (
        f'steadyhead: 127.0.0.1:{receiver.port} answered 500 Internal Server Error: "not today"\n'
    )
    assert len(receiver.requests) == 1


def test_a_receiver_that_is_not_there_is_told_with_what_to_do(command, write):
    with HttpReceiver() as receiver:
        write(receiver)
    done = command("test", "control_room")
    assert done.returncode == 2
    assert done.stderr.startswith(
        f"steadyhead: 127.0.0.1:{receiver.port} cannot be reached (Connection refused); "
    )
    assert "check that the receiver runs, that address and port" in done.stderr


def test_a_channel_that_is_not_there_is_told_with_those_that_are(command, write):
    with HttpReceiver() as receiver:
        write(receiver)
        done = command("test", "controlroom")
    assert done.returncode == 2
    assert 'there is no channel "controlroom" in the settings; there are: control_room' in done.stderr


def test_the_list_shows_channels_rules_and_what_was_given_up(command, write, tmp_path):
    with HttpReceiver([answer(500, "not today")]) as receiver:
        write(receiver)
        before = command("list")
        assert not (tmp_path / "data").exists()  # looking makes no database
        settings = load_settings(tmp_path / "service.yaml")
        (tmp_path / "data").mkdir()
        database = open_database(settings.database)
        plan = Plan(settings.notify, REGISTRY, KNOWLEDGE, time.time)
        desk = Desk(database, KNOWLEDGE, REGISTRY, time.time, (plan.hook,))
        desk.raised(verdict("elm", raised_s=int(time.time()) - 60))
        Sender(settings.notify, database, lambda: time.time() + 5).look()
        database.close()
        after = command("list")
    assert before.returncode == after.returncode == 0, before.stderr + after.stderr
    assert "The service has not run yet" in before.stdout
    assert (
        "control_room: raised, priority raised, cleared of medium priority or more in zone north"
        in after.stdout
    )
    assert "control_room: elm raised, 1 tries: 127.0.0.1" in after.stdout
    assert "secret" not in before.stdout + after.stdout
