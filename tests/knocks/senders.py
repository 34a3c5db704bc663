"""The three ways in, each with a sender that does not lose what was not taken, but sends it again."""

from __future__ import annotations

import contextlib
import json
import random
import sqlite3
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import httpx
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from .plant import Reading, Sending, csv_lines, json_body, message
from .works import Works, until

AGAIN_S = 0.2
SENDING_S = 900.0  # while faults follow on each other, a sending may have to wait for the end of them
CONFIRM_S = 3.0  # after so long without word of the last message, all of a sending is published anew


@dataclass
class Sent:
    """What a sender did. again : sendings repeated because nobody had said that they were taken"""

    readings: int = 0
    again: int = 0
    twice: int = 0
    refusals: list[str] = field(default_factory=list)


class Sender(Protocol):
    """One way in."""

    sent: Sent

    def send(self, sending: Sending) -> None:
        """Until it is taken."""
        ...

    def finish(self) -> None:
        """Until all that was sent is in the journal."""
        ...


@dataclass
class HttpSender:
    """Pushes batches; sends one again until it is answered with 200."""

    works: Works
    token: str
    sent: Sent = field(default_factory=Sent)

    def send(self, sending: Sending) -> None:
        """See ``Sender``."""
        body = json_body(sending.readings)
        for n in range(2 if sending.is_twice else 1):
            until(lambda: self._push(body), "an answer to a push", SENDING_S, lambda: self.sent.refusals[-3:])
            self.sent.twice += n
        self.sent.readings += len(sending.readings)

    def _push(self, body: bytes) -> bool:
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        url = f"{self.works.service.url}/api/v1/readings"
        try:
            answer = httpx.post(url, content=body, headers=headers, timeout=30)
        except httpx.HTTPError:
            answer = None
        if answer is not None and answer.status_code == 200:
            return True
        # a batch of nothing but bad values is read, kept as gaps, and answered with 422
        if answer is not None and answer.status_code == 422 and b"quality" in answer.content:
            return True
        self.sent.refusals.append(
            "no answer" if answer is None else f"{answer.status_code} {answer.text[:300]}"
        )
        self.sent.again += 1
        time.sleep(AGAIN_S)
        return False

    def finish(self) -> None:
        """Every push was answered already."""


@dataclass
class MqttSender:
    """Publishes with quality of service 1, and again until the feed's position has the last one."""

    works: Works
    sent: Sent = field(default_factory=Sent)

    def send(self, sending: Sending) -> None:
        """See ``Sender``."""
        for n in range(2 if sending.is_twice else 1):
            until(lambda: self._publish(sending.readings), "an MQTT message to arrive", SENDING_S)
            self.sent.twice += n
        self.sent.readings += len(sending.readings)

    def _publish(self, readings: Sequence[Reading]) -> bool:
        if self._all_published(readings):
            topic, _ = message(readings[-1])
            last = [topic, readings[-1].at_s * 1_000_000]
            end = time.monotonic() + CONFIRM_S
            while time.monotonic() < end:
                if last in self._recent():
                    return True
                time.sleep(0.05)
        self.sent.again += 1
        return False

    def _all_published(self, readings: Sequence[Reading]) -> bool:
        # a broker that is killed forgets what it took a moment ago: on a new connection all is published anew
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="plant", reconnect_on_failure=False)
        client.max_inflight_messages_set(200)
        try:
            client.connect("127.0.0.1", self.works.broker.port)
            client.loop_start()
            infos = [client.publish(*message(one), qos=1) for one in readings]
            return all(_has_arrived(info) for info in infos)  # ends at the first that has not
        except (OSError, RuntimeError, ValueError):
            time.sleep(AGAIN_S)
            return False
        finally:
            client.disconnect()
            client.loop_stop()

    def _recent(self) -> list[Any]:
        return list(position(self.works.data, "feed:plant").get("recent", ()))

    def finish(self) -> None:
        """Every message was confirmed already."""


@dataclass
class FolderSender:
    """Writes log files as a logger does: some bytes now, the rest of the line a moment later."""

    works: Works
    roles: dict[str, list[str]]
    rng: random.Random
    sent: Sent = field(default_factory=Sent)

    def begin(self) -> None:
        """Headings of all files."""
        for name, roles in self.roles.items():
            path = self._path(name)
            path.parent.mkdir(exist_ok=True)
            path.write_text(f"time,{','.join(roles)}\n", encoding="utf-8")

    def send(self, sending: Sending) -> None:
        """See ``Sender``; a file takes everything at once."""
        for name, roles in self.roles.items():
            own = [one for one in sending.readings if one.station == name]
            if not own:
                continue
            text = csv_lines(own, roles)
            cut = self.rng.randrange(len(text))
            for part in (text[:cut], text[cut:]):
                with self._path(name).open("ab") as file:
                    file.write(part)
                time.sleep(self.rng.uniform(0, 0.02))
        self.sent.readings += len(sending.readings)

    def finish(self) -> None:
        """Until the journal says that the files were read to their ends."""
        until(self._is_read, "the end of the log files to be read")

    def _is_read(self) -> bool:
        for name in self.roles:
            mark = position(self.works.data, f"folder:{name}").get("files", {}).get(f"{name}.csv", {})
            if mark.get("taken") != self._path(name).stat().st_size:
                return False
        return True

    def _path(self, name: str) -> Path:
        return self.works.folder / "logs" / f"{name}.csv"


def _has_arrived(info: paho.MQTTMessageInfo) -> bool:
    info.wait_for_publish(5)
    return info.is_published()


def position(data: Path, source: str) -> dict[str, Any]:
    """How far a source was read, from the journal on the disk; empty if it cannot be asked now."""
    found = ask_journal(data, "SELECT position FROM positions WHERE source = ?", source)
    return dict(json.loads(found[0][0])) if found else {}


def ask_journal(data: Path, statement: str, *values: Any) -> list[Any]:
    """Rows of a question to the journal; none if it cannot be asked now."""
    with contextlib.suppress(sqlite3.Error):
        asked = sqlite3.connect(f"file:{data / 'journal.db'}?mode=ro", uri=True, timeout=5)
        with contextlib.closing(asked) as connection:
            return connection.execute(statement, values).fetchall()
    return []


def run(
    sender: Sender, todo: Sequence[Sending], allowed: Callable[[], float], is_over: Callable[[], bool]
) -> None:
    """Send everything in order; never more of it than the share that ``allowed`` says."""
    for n, sending in enumerate(todo):
        while allowed() < (n + 1) / len(todo) and not is_over():
            time.sleep(0.02)
        if is_over():
            return
        sender.send(sending)
    sender.finish()
