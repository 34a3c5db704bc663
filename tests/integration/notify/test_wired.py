"""The running service: an alert of its desk reaches a receiver; what waited goes out at the next start."""

import time

import pytest

from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings

from .messages import REGISTRY, verdict
from .receivers import HttpReceiver, answer


@pytest.fixture
def settings(tmp_path):
    def make(receiver: HttpReceiver) -> RoomSettings:
        return RoomSettings.model_validate(
            {
                "data_folder": tmp_path / "data",
                "profiles": tmp_path / "profiles",
                "watch_folders": False,
                "notify": {
                    "trying": {"first_wait_s": 0.2},
                    "web_hooks": {"control_room": {"url": receiver.url}},
                    "rules": [{"channels": "control_room"}],
                },
            }
        )

    return make


def wait_until(holds, patience_s: float = 20) -> None:
    end = time.monotonic() + patience_s
    while not holds():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.05)


def test_the_service_tells_of_an_alert_and_of_what_waited_when_it_starts_again(settings):
    now_s = int(time.time())
    with HttpReceiver([answer(500)]) as receiver:
        room = open_room(settings(receiver), REGISTRY)
        room.start()
        try:
            room.desk.raised(verdict("elm", raised_s=now_s - 60))
            wait_until(lambda: receiver.requests)
        finally:
            room.stop()
        failed = len(receiver.requests)
        receiver.then = [answer(200)]
        room = open_room(settings(receiver), REGISTRY)
        room.start()
        try:
            wait_until(lambda: len(receiver.requests) > failed)
            time.sleep(5)  # two more looks
        finally:
            room.stop()
    assert len(receiver.requests) == failed + 1
    assert len({request.headers["Idempotency-Key"] for request in receiver.requests}) == 1
