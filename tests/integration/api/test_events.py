"""Live events over a real server: told at once, nothing missed over a break, ended with the session."""

import json
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import pytest
from running_room import WORDS, opened, served, signed_in

from steadyhead.access import passwords
from steadyhead.alerts.model import Verdict
from steadyhead.api import events
from steadyhead.api.app import make_app
from steadyhead.desk.news import Event

WAIT_S = 15


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr(passwords, "MEMORY_KIB", 64)
    monkeypatch.setattr(passwords, "PASSES", 1)
    monkeypatch.setattr(events, "HEARTBEAT_S", 0.4)


@pytest.fixture
def room(tmp_path):
    found = opened(tmp_path, access={"streams_per_actor": 3})
    found.accounts.create("adam", "administrator", WORDS)
    return found


@pytest.fixture
def base(room):
    with served(make_app(room)) as address:
        yield address


@pytest.fixture
def browser(base):
    with signed_in(base) as client:
        yield client


def verdict(condition="drift", raised_s=1_760_000_000):
    return Verdict(
        station="elm_street", condition=condition, confidence=0.8, runners_up=(), magnitude={},
        evidence=("It is away.",), began_s=raised_s, raised_s=raised_s, ended_s=None, updated_s=raised_s,
        profile_version="abc", window_s=(raised_s - 60, raised_s),
    )  # fmt: skip


class Stream:
    """Reads a stream in a thread, as a browser does: blocks of lines ended by an empty one."""

    def __init__(self, client, **headers):
        self.events, self.comments, self.status, self.headers, self.error = [], 0, None, {}, None
        self._client = httpx.Client(base_url=client.base_url, cookies=client.cookies, timeout=WAIT_S)
        self._sent = headers
        self._is_leaving = False
        self._changed = threading.Condition()
        self.is_over = False
        self._thread = threading.Thread(target=self._read, daemon=True)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._is_leaving = True  # seen at the next line; a heartbeat is never far
        self._thread.join(WAIT_S)
        assert not self._thread.is_alive()

    def _read(self):
        try:
            with self._client, self._client.stream("GET", "/api/v1/events", headers=self._sent) as answer:
                self.status, self.headers = answer.status_code, answer.headers
                block = {}
                for line in answer.iter_lines():
                    if self._is_leaving:
                        break
                    with self._changed:
                        if line.startswith(":"):
                            self.comments += 1
                        elif line:
                            name, _, value = line.partition(": ")
                            block[name] = value
                        elif block:
                            self.events.append(block)
                            block = {}
                        self._changed.notify_all()
        except (httpx.HTTPError, RuntimeError) as exc:
            self.error = exc
        with self._changed:
            self.is_over = True
            self._changed.notify_all()

    def wait(self, claim):
        with self._changed:
            assert self._changed.wait_for(lambda: claim(self), WAIT_S), (self.events, self.status, self.error)

    def names(self):
        return [block.get("event") for block in self.events]


def test_an_alert_is_told_at_once_with_its_number(browser, room):
    with Stream(browser) as stream:
        stream.wait(lambda s: s.names() == ["hello"])
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert stream.headers["cache-control"] == "no-store"
        started = time.monotonic()
        alert = room.desk.raised(verdict())
        stream.wait(lambda s: "alert" in s.names())
        assert time.monotonic() - started < 2
        told = stream.events[-1]
        number = room.desk.alert(alert.alert_id).change_no
        assert json.loads(told["data"]) == {"alert_id": alert.alert_id, "change_no": number}
        assert told["id"] == str(number)


def test_feeds_and_stations_are_told_too(browser, room):
    with Stream(browser) as stream:
        stream.wait(lambda s: s.names() == ["hello"])
        room.news.publish(Event("feed", "push:h"))
        room.news.publish(Event("station", "elm_street"))
        stream.wait(lambda s: len(s.events) >= 3)
        assert [json.loads(block["data"]) for block in stream.events[1:3]] == [
            {"source": "push:h"},
            {"station": "elm_street"},
        ]


def test_a_quiet_stream_is_kept_alive(browser):
    with Stream(browser) as stream:
        stream.wait(lambda s: s.comments >= 3)


def test_what_was_missed_is_told_on_reconnecting(browser, room, monkeypatch):
    monkeypatch.setattr(events, "OVERLAP", 1)
    raised = [
        room.desk.raised(verdict(condition)) for condition in ("drift", "creep", "hunting", "slow_response")
    ]
    numbers = [room.desk.alert(alert.alert_id).change_no for alert in raised]
    with Stream(browser, **{"Last-Event-ID": str(numbers[2])}) as stream:
        stream.wait(lambda s: raised[3].alert_id in str(s.events))
        told = [
            json.loads(block["data"])["change_no"] for block in stream.events if block["event"] == "alert"
        ]
        assert told == [
            n for n in range(numbers[2], numbers[3] + 1) if n in numbers
        ]  # one twice, none missed


def test_a_first_visit_may_say_since_when(browser, room):
    alert = room.desk.raised(verdict())
    found = []
    with browser.stream("GET", "/api/v1/events?after=0") as answer:
        for line in answer.iter_lines():
            found.append(line)
            if line.startswith("data: ") and alert.alert_id in line:
                break
    assert "event: alert" in found


def test_too_much_missed_means_reload(browser, room, monkeypatch):
    monkeypatch.setattr(events, "MOST_MISSED", 2)
    for condition in ("drift", "creep", "hunting"):
        room.desk.raised(verdict(condition))
    with Stream(browser, **{"Last-Event-ID": "0"}) as stream:
        stream.wait(lambda s: s.names() == ["hello", "reload"])


def test_a_page_too_far_behind_is_told_to_reload(browser, room):
    """A burst larger than any queue, while the stream's reader does not come to read."""
    with Stream(browser) as stream:
        stream.wait(lambda s: s.names() == ["hello"])
        for n in range(3000):
            room.news.publish(Event("alert", f"{n:016x}", n))
        stream.wait(lambda s: "reload" in s.names() or len(s.events) >= 3001)
        room.news.publish(Event("station", "elm_street"))
        stream.wait(lambda s: "station" in s.names())  # and goes on afterwards


def test_the_stream_ends_with_the_session(browser, room):
    with Stream(browser) as stream:
        stream.wait(lambda s: s.names() == ["hello"])
        room.accounts.set_password("adam", "seven boats in the harbour")
        stream.wait(lambda s: s.is_over)
        assert stream.names()[-1] == "signed_out"


def test_an_open_page_keeps_the_session_from_resting(browser, room, monkeypatch):
    looked = []
    who = room.accounts.who
    monkeypatch.setattr(room.accounts, "who", lambda secret: looked.append(1) or who(secret))
    with Stream(browser) as stream:
        stream.wait(lambda s: s.comments >= 4)
    assert len(looked) >= 3


def test_nobody_can_hold_more_streams_than_allowed(browser, room):
    client = browser
    with Stream(client) as a, Stream(client) as b, Stream(client) as c:
        for stream in (a, b, c):
            stream.wait(lambda s: s.names() == ["hello"])
        refused = client.get("/api/v1/events")
        assert refused.status_code == 429
        assert "3 event streams open" in refused.json()["detail"]
    time.sleep(1)  # the server notices that they are gone
    with Stream(client) as again:
        again.wait(lambda s: s.names() == ["hello"])


def test_without_a_session_there_is_no_stream(base):
    assert httpx.get(f"{base}/api/v1/events").status_code == 401


def test_a_token_may_follow_too(base, room):
    secret = room.accounts.make_token("board", "read", "adam").secret
    with httpx.Client(base_url=base) as client, Stream(client, Authorization=f"Bearer {secret}") as stream:
        stream.wait(lambda s: s.names() == ["hello"])
        room.accounts.tokens.revoke(1, "adam")
        stream.wait(lambda s: s.is_over)
        assert stream.names()[-1] == "signed_out"


PROGRAM = """
import sys, uvicorn
sys.path.insert(0, sys.argv[2])
from pathlib import Path
from running_room import WORDS, opened
from steadyhead.api.app import make_app
room = opened(Path(sys.argv[1]))
room.accounts.create("adam", "administrator", WORDS)
uvicorn.run(make_app(room), host="127.0.0.1", port=int(sys.argv[3]), log_level="warning")
"""


def test_the_service_stops_at_once_although_a_page_is_open(tmp_path):
    """A process of its own, ended as a service manager ends it."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port = taken.getsockname()[1]
    here = str(Path(__file__).parent)
    process = subprocess.Popen([sys.executable, "-c", PROGRAM, str(tmp_path), here, str(port)])
    base = f"http://127.0.0.1:{port}"
    try:
        wait_for_start(base, process)
        with signed_in(base) as client, Stream(client) as stream:
            stream.wait(lambda s: s.names() == ["hello"])
            process.send_signal(signal.SIGTERM)
            stream.wait(lambda s: s.is_over)
            process.wait(20)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
    assert process.returncode in (0, -signal.SIGTERM)  # uvicorn ends by the signal it was sent


def wait_for_start(base, process):
    ends = time.monotonic() + 60
    while time.monotonic() < ends:
        assert process.poll() is None, "the service did not start"
        try:
            if httpx.get(f"{base}/healthz").status_code == 200:
                return
        except httpx.TransportError:
            time.sleep(0.1)
    pytest.fail("the service took too long to start")


@pytest.mark.parametrize("last", ["x", "-1", "9" * 30, "1.5", ""])
def test_a_last_event_id_of_somebody_else_is_ignored(browser, last):
    with Stream(browser, **{"Last-Event-ID": last}) as stream:
        stream.wait(lambda s: s.names()[:1] == ["hello"])
