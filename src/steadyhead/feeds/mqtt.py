"""Readings from an MQTT broker, 3.1.1 or 5, by paho-mqtt: JSON or plain numbers by topic, or Sparkplug B.

A message is acknowledged only when its readings are in the journal, and the session is kept, so the broker
hands over again what a crash or a restart came between. What is handed over twice is known by tag and time
and left out. We subscribe and never publish; the one thing that would make a Sparkplug node speak up, a
command to it, is not sent, so values by alias wait for the node's next birth.
"""

from __future__ import annotations

import json
import queue
import ssl
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from steadyhead.errors import FeedError
from steadyhead.feeds.connector import NO_POINTS, Bit, Gathering, Points, Position
from steadyhead.feeds.settings import MqttSettings, read_secret
from steadyhead.feeds.sparkplug import SparkplugError, decode

CONNECT_S = 10.0
KEEP_ALIVE_S = 20
MOST_MESSAGES = 500  # in a batch
MOST_READINGS = 20_000
MOST_RECENT = 2000  # readings remembered against being handed over twice
QUIET_S = 0.01  # a batch ends when nothing has come for so long
_UNITS_OF_EPOCH = ((1e17, 1e-3), (1e14, 1.0), (1e11, 1e3))  # ns, us, ms since 1970 by size; else seconds


class MqttConnector:
    """One session with a broker. See ``connector.Connector``."""

    def __init__(self, name: str, settings: MqttSettings, now_s: Callable[[], float] = time.time) -> None:
        self._name, self._settings, self._now_s = name, settings, now_s
        self._zone = ZoneInfo(settings.time_zone)
        self._inbox: queue.Queue[Any] = queue.Queue()
        self._client: paho.Client | None = None
        self._names: dict[tuple[str, int], str] = {}

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"MQTT {self._settings.version} {self._settings.host}:{self._settings.port}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        client, self._client = self._client, None
        if client is not None:
            client.on_disconnect = None
            client.disconnect()
            client.loop_stop()
        self._inbox.put(None)

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``: listens as a guest, with a session of its own that is not kept."""
        self._connect(is_guest=True)
        found = Gathering()
        end = time.monotonic() + seconds
        try:
            while (left := end - time.monotonic()) > 0:
                try:
                    message = self._inbox.get(timeout=left)
                except queue.Empty:
                    break
                self._raise_if_gone(message)
                self._read(message, found)
        finally:
            self.close()
        return found.points()

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """A broker keeps no history."""
        del from_s, to_s, resume
        yield from ()

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        recent = OrderedDict.fromkeys((tag, us) for tag, us in (resume or {}).get("recent", ()))
        self._names = {(node, alias): name for node, alias, name in (resume or {}).get("names", ())}
        client = self._connect(is_guest=False)
        while not stop.is_set():
            messages = self._some(stop)
            if not messages:
                continue
            found = Gathering()
            lost = [text for message in messages if (text := self._read(message, found)) is not None]
            points = _new(found.points(), recent)
            position = {
                "recent": [list(key) for key in recent],
                "names": [[node, alias, name] for (node, alias), name in self._names.items()],
            }
            yield Bit(points, position, _acknowledging(client, messages), lost)

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
        if settings.username is not None:
            secret = (
                None if settings.password_file is None else read_secret(settings.password_file, "password")
            )
            client.username_pw_set(settings.username, secret)
        self._secure(client)
        inbox: queue.Queue[Any] = queue.Queue()
        self._inbox = inbox
        answer: queue.Queue[Any] = queue.Queue()

        def on_disconnect(*arguments: Any) -> None:
            answer.put(f"it closed the connection ({arguments[3]})")
            inbox.put(FeedError(f"{self._where()} closed the connection ({arguments[3]}); it is tried again"))

        client.on_connect = lambda *said: answer.put(said[3])
        client.on_disconnect = on_disconnect
        client.on_message = lambda *said: inbox.put(said[2])
        client.on_subscribe = lambda *said: answer.put(said[3])
        more: dict[str, Any] = {}
        if is_5:
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = 0 if is_guest else min(settings.keep_session_s, 0xFFFFFFFF)
            more = {"clean_start": is_guest, "properties": properties}
        try:
            client.connect(settings.host, settings.port, KEEP_ALIVE_S, **more)
        except ssl.SSLError as exc:
            raise FeedError(
                f"{self._where()}: TLS failed ({exc.reason or exc}); mend ca_file, certificate_file or "
                f"key_file"
            ) from exc
        except (OSError, ValueError) as exc:
            raise FeedError(
                f"{self._where()} cannot be reached ({exc}); check host and port; it is tried again"
            ) from exc
        client.loop_start()
        self._client = client
        reason = self._answer(answer)
        if isinstance(reason, str):
            self.close()
            raise FeedError(f"{self._where()}: {reason} at once; it is tried again")
        if reason.is_failure:
            self.close()
            raise FeedError(
                f"{self._where()} does not let us in ({reason}); mend username, password_file or client_id"
            )
        client.subscribe([(topic, 1) for topic in settings.topics])
        reasons = self._answer(answer)
        refused = [
            topic for topic,
            code in zip(settings.topics, reasons, strict=False) if getattr(code, "is_failure", False)
        ] if not isinstance(reasons, str) else list(settings.topics)  # fmt: skip
        if refused:
            self.close()
            raise FeedError(
                f"{self._where()} does not let us subscribe to {', '.join(refused)}; mend topics or "
                f"its rights"
            )
        return client

    def _secure(self, client: paho.Client) -> None:
        settings = self._settings
        if not settings.tls:
            return
        try:
            files = (settings.ca_file, settings.certificate_file, settings.key_file)
            ca, certificate, key = (None if path is None else str(path) for path in files)
            client.tls_set(ca, certificate, key)
        except (OSError, ValueError, ssl.SSLError) as exc:
            raise FeedError(
                f"{self._name}: a file for TLS cannot be used ({exc}); mend ca_file and the others"
            ) from exc

    def _answer(self, answer: queue.Queue[Any]) -> Any:
        try:
            return answer.get(timeout=CONNECT_S)
        except queue.Empty:
            self.close()
            raise FeedError(
                f"{self._where()} does not answer within {CONNECT_S:g} s; it is tried again"
            ) from None

    def _where(self) -> str:
        return f"{self._name}: {self.describe()}"

    def _raise_if_gone(self, message: Any) -> None:
        if message is None:
            raise FeedError(f"{self._where()} was closed")
        if isinstance(message, FeedError):
            raise message

    # ------------------------------------------------------------ messages

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

    def _read(self, message: Any, found: Gathering) -> str | None:
        """Take a message's readings; what is wrong with it, if nothing can be taken."""
        try:
            if self._settings.payload == "sparkplug":
                return self._read_sparkplug(message, found)
            return self._read_plain(message, found)
        except (SparkplugError, ValueError, UnicodeDecodeError, RecursionError) as exc:
            return f"message on {message.topic}: {exc}; mend the sender, or topics and payload of the feed"

    def _read_plain(self, message: Any, found: Gathering) -> str | None:
        text = message.payload.decode("utf-8")
        try:
            data = json.loads(text)
        except ValueError:
            data = text.strip()
        now_us = round(self._now_s() * 1e6)
        if not isinstance(data, dict):
            if message.retain:  # of any age, and it has no time of its own
                return None
            found.add(message.topic, now_us, data)
            return None
        at = _inner(data, self._settings.time_key)
        if at is None and message.retain:
            return None
        us = now_us if at is None else self._us(at)
        value = _inner(data, self._settings.value_key)
        if value is None and self._settings.value_key not in data:
            raise ValueError(f'holds no "{self._settings.value_key}" ({text[:60]})')
        if isinstance(value, dict):  # several at once, each by its own name
            for name, one in value.items():
                found.add(f"{message.topic}/{name}", us, one, _inner(data, self._settings.quality_key))
            return None
        found.add(message.topic, us, value, _inner(data, self._settings.quality_key))
        return None

    def _read_sparkplug(self, message: Any, found: Gathering) -> str | None:
        parts = message.topic.split("/")
        if len(parts) not in (4, 5) or parts[0] != "spBv1.0":
            if parts[:2] == ["spBv1.0", "STATE"] or parts[0] == "STATE":
                return None
            raise ValueError("is no topic of Sparkplug B (spBv1.0/group/kind/node/device)")
        kind, node = parts[2], "/".join([parts[1], *parts[3:]])
        if kind not in ("NBIRTH", "DBIRTH", "NDATA", "DDATA"):
            return None
        payload = decode(message.payload)
        unnamed = 0
        for metric in payload.metrics:
            if metric.name is not None and metric.alias is not None and kind.endswith("BIRTH"):
                self._names[node, metric.alias] = metric.name
            name = metric.name or (
                self._names.get((node, metric.alias)) if metric.alias is not None else None
            )
            us = metric.us if metric.us is not None else payload.us
            if name is None or us is None:
                unnamed += 1
                continue
            if kind.endswith("BIRTH") and isinstance(metric.value, str | bool):
                continue  # what a node says of itself at its birth
            found.add(f"{node}/{name}", us, metric.value, _opc_quality(metric.quality))
        if unnamed:
            return (
                f"message on {message.topic}: {unnamed} values have an alias that no birth of {node} "
                f"explained, or no time; "
                "they count again after its next birth: let the node send it (rebirth), or restart it"
            )
        return None

    def _us(self, at: Any) -> int:
        if isinstance(at, bool) or not isinstance(at, int | float | str):
            raise ValueError(f'"{str(at)[:40]}" is no time; send ISO 8601, or a number since 1970')  # noqa: TRY004
        if isinstance(at, str):
            when = datetime.fromisoformat(at)
            return round((when if when.tzinfo else when.replace(tzinfo=self._zone)).timestamp() * 1e6)
        for least, factor in _UNITS_OF_EPOCH:
            if abs(at) >= least:
                return round(at * factor)
        return round(at * 1e6)


def _opc_quality(quality: int | None) -> Any:
    """The words of Sparkplug's three codes; another code is left as it is."""
    return {192: "good", 500: "stale", 0: "bad"}.get(quality, quality) if quality is not None else None


def _inner(data: dict[str, Any], key: str) -> Any:
    if key in data:
        return data[key]
    found: Any = data
    for part in key.split("."):
        found = found.get(part) if isinstance(found, dict) else None
    return found


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
    while len(recent) > MOST_RECENT:
        recent.popitem(last=False)
    return points.only(np.array(keep, np.int64))


def _acknowledging(client: paho.Client, messages: list[Any]) -> Callable[[], None]:
    def acknowledge() -> None:
        for message in messages:
            client.ack(message.mid, message.qos)

    return acknowledge
