"""Messages of the MQTT feed that are JSON or plain text: first line the topic, the rest the payload."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from functools import cache
from typing import Any, Literal

from paho.mqtt.client import MQTTMessage

from steadyhead.feeds import mqtt
from steadyhead.feeds.connector import Bit
from steadyhead.feeds.settings import MqttSettings

from .made import NOW_S, TAGS, way
from .target import Target


class Listening:
    """A connector that has been given its connection; what is put into it goes on to the journal."""

    def __init__(self, payload: Literal["json", "sparkplug"]) -> None:
        settings = MqttSettings.model_validate(
            {"kind": "mqtt", "mapping": "m", "host": "h", "topics": ["#"], "payload": payload}
        )
        mqtt.QUIET_S = 0.0  # nothing more will come
        self._connector: Any = mqtt.MqttConnector("it", settings, lambda: float(NOW_S))
        self._connector._connect = lambda *, is_guest: None
        self._bits: Iterator[Bit] | None = None

    @property
    def names(self) -> dict[tuple[str, int], str]:
        """Metrics known by alias."""
        return dict(self._connector._messages.names)

    def take(self, topic: bytes, payload: bytes) -> None:
        """Give it one message."""
        message = MQTTMessage(1, topic)
        message.payload = payload
        message.retain = payload[:1] == b"#"
        if self._bits is None:
            self._bits = iter(self._connector.live({}, threading.Event()))
        self._connector._inbox.put(message)
        bits, self._bits = self._bits, None  # after an error it has to be connected anew
        way().commit(next(bits))
        self._bits = bits


@cache
def listening(payload: Literal["json", "sparkplug"]) -> Listening:
    """One connection for the whole process."""
    return Listening(payload)


def feed(data: bytes) -> None:
    """One message."""
    topic, _, payload = data.partition(b"\n")
    listening("json").take(topic, payload)


def corpus() -> list[bytes]:
    """Numbers, texts and objects on topics that the mapping knows."""
    bodies: list[Any] = [
        4.5, -1, "4.5", None, True, [1, 2], {"value": 4.25, "time": NOW_S, "quality": "good"},
        {"value": 4.25, "time": NOW_S * 1000 + 5, "quality": 192}, {"value": 4.25, "time": NOW_S * 10**9},
        {"value": "Bad", "time": "2026-03-01T00:00:00Z"}, {"value": 1, "time": "2026-02-28T23:59:00"},
        {"value": 1e300, "time": NOW_S - 60}, {"d": {"value": 1}}, {"value": None, "time": 1e9},
    ]  # fmt: skip
    return [f"{tag}\n{json.dumps(body)}".encode() for tag in TAGS for body in bodies]


TARGET = Target(
    "mqtt_json", feed, corpus,
    words=(b'"value"', b'"time"', b'"quality"', b"NaN", b"Infinity", b"1e400", b"elm/PIN\n", b"null"),
)  # fmt: skip
