"""Readings from an MQTT broker, 3.1.1 or 5, by paho-mqtt: JSON or plain numbers by topic, or Sparkplug B.

A message is acknowledged only when its readings are in the journal, and the session is kept, so the broker
hands over again what a crash or a restart came between. What is handed over twice is known by tag and time
and left out.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from steadyhead.errors import FeedError
from steadyhead.feeds.connector import NO_POINTS, Bit, Gathering, Points, Position
from steadyhead.feeds.mqtt_link import Link
from steadyhead.feeds.mqtt_messages import Messages
from steadyhead.feeds.settings import MqttSettings

MOST_MESSAGES = 500  # in a batch
MOST_READINGS = 1000  # in a batch, unless one message holds more
MOST_RECENT = 2000  # readings remembered against being handed over twice; twice a batch in any case
QUIET_S = 0.01  # a batch ends when nothing has come for so long


class MqttConnector:
    """One session with a broker. See ``connector.Connector``.

    is_listening : whether the broker has taken our subscription
    """

    def __init__(self, name: str, settings: MqttSettings, now_s: Callable[[], float] = time.time) -> None:
        self._name, self._settings = name, settings
        self._messages = Messages(settings, now_s)
        self._inbox: queue.Queue[Any] = queue.Queue()
        self._link: Link | None = None
        self.is_listening = False

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"MQTT {self._settings.version} {self._settings.host}:{self._settings.port}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        self.is_listening = False
        link, self._link = self._link, None
        if link is not None:
            link.close()
        self._inbox.put(None)

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``: listens as a guest, with a session of its own that is not kept."""
        self._connect(is_guest=True)
        found, lost = Gathering(), list[str]()
        end = time.monotonic() + seconds
        try:
            while (left := end - time.monotonic()) > 0:
                try:
                    message = self._inbox.get(timeout=left)
                except queue.Empty:
                    break
                self._raise_if_gone(message)
                text = self._messages.read(message, found)
                lost += [] if text is None else [text]
        finally:
            self.close()
        if lost and not len(found):
            raise FeedError(
                f"{self._name}: {self.describe()}: none of {len(lost)} messages could be read; the first: "
                f"{lost[0]}"
            )
        return found.points()

    def reach_days(self) -> int | None:
        """A broker keeps no history."""
        return None

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """A broker keeps no history."""
        del from_s, to_s, resume
        yield from ()

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        recent = OrderedDict.fromkeys((tag, us) for tag, us in (resume or {}).get("recent", ()))
        self._messages.names = {(node, alias): name for node, alias, name in (resume or {}).get("names", ())}
        client = self._connect(is_guest=False)
        while not stop.is_set():
            messages = self._some(stop)
            while messages:
                found, lost, n = Gathering(), list[str](), 0
                for message in messages:
                    text = self._messages.read(message, found)
                    lost += [] if text is None else [text]
                    n += 1
                    if len(found) >= MOST_READINGS:
                        break
                taken, messages = messages[:n], messages[n:]
                points = _new(found.points(), recent)
                position = {
                    "recent": [list(key) for key in recent],
                    "names": [[node, alias, name] for (node, alias), name in self._messages.names.items()],
                }
                yield Bit(points, position, _acknowledging(client, taken), lost)

    # ------------------------------------------------------------ connection

    def _connect(self, *, is_guest: bool) -> paho.Client:
        settings = self._settings
        is_5 = settings.version == "5"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"{settings.client_id}-guest-{time.monotonic_ns() % 10**9}"
            if is_guest
            else settings.client_id,
            protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
            clean_session=None if is_5 else is_guest,
            manual_ack=not is_guest,
            reconnect_on_failure=False,
        )
        inbox: queue.Queue[Any] = queue.Queue()
        self._inbox = inbox
        client.on_message = lambda *said: inbox.put(said[2])
        where = f"{self._name}: {self.describe()}"
        link = Link(
            client, settings, where,
            lambda reason: inbox.put(
                FeedError(f"{where} closed the connection ({reason}); it is tried again")
            ),
        )  # fmt: skip
        more: dict[str, Any] = {}
        if is_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0 if is_guest else min(settings.keep_session_s, 0xFFFFFFFF)
            more = {"clean_start": is_guest, "properties": properties}
        link.connect(**more)
        self._link = link
        client.subscribe([(topic, 1) for topic in settings.topics])
        codes = zip(settings.topics, link.answer(), strict=False)
        refused = [topic for topic, code in codes if getattr(code, "is_failure", False)]
        if refused:
            self.close()
            raise FeedError(
                f"{where} does not let us subscribe to {', '.join(refused)}; mend topics or its rights"
            )
        self.is_listening = True
        return client

    def _raise_if_gone(self, message: Any) -> None:
        if message is None:
            raise FeedError(f"{self._name}: {self.describe()} was closed")
        if isinstance(message, FeedError):
            raise FeedError(str(message))  # a new one: else it and the frames that hold it hold the client

    def _some(self, stop: threading.Event) -> list[Any]:
        """What has come, as soon as nothing follows for a moment; empty after a second of nothing."""
        messages: list[Any] = []
        while len(messages) < MOST_MESSAGES and not stop.is_set():
            try:
                message = self._inbox.get(timeout=QUIET_S if messages else 1.0)
            except queue.Empty:
                break
            if isinstance(message, FeedError) and messages:
                self._inbox.put(message)  # what came before it counts, and is not acknowledged any more
                break
            self._raise_if_gone(message)
            messages.append(message)
        return messages


def _new(points: Points, recent: OrderedDict[tuple[str, int], None]) -> Points:
    """Those not handed over before; ``recent`` takes note of them."""
    if not len(points):
        return NO_POINTS
    keep = []
    for n, (number, us) in enumerate(zip(points.which.tolist(), points.us.tolist(), strict=True)):
        key = (points.tags[number], us)
        if key not in recent:
            recent[key] = None
            keep.append(n)
    while len(recent) > max(MOST_RECENT, 2 * len(points)):
        recent.popitem(last=False)
    return points.only(np.array(keep, np.int64))


def _acknowledging(client: paho.Client, messages: list[Any]) -> Callable[[], None]:
    def acknowledge() -> None:
        for message in messages:
            client.ack(message.mid, message.qos)

    return acknowledge
