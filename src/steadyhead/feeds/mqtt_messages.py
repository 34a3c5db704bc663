"""Readings from single MQTT messages: JSON or plain numbers by topic, or Sparkplug B.

We subscribe and never publish. The one thing that would make a Sparkplug node speak up, a command to it, is
not sent, so values by alias wait for the node's next birth.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from steadyhead.feeds.connector import Gathering
from steadyhead.feeds.settings import MqttSettings
from steadyhead.feeds.sparkplug import SparkplugError, decode

_UNITS_OF_EPOCH = ((1e17, 1e-3), (1e14, 1.0), (1e11, 1e3))  # ns, us, ms since 1970 by size; else seconds
MOST_NAMES = 20_000  # metrics remembered by alias, of all nodes; far above any plant's


class Messages:
    """How the messages of a feed are read.

    names : metric by Sparkplug node and alias, learned from births
    """

    def __init__(self, settings: MqttSettings, now_s: Callable[[], float]) -> None:
        self._settings, self._now_s = settings, now_s
        self._zone = ZoneInfo(settings.time_zone)
        self.names: dict[tuple[str, int], str] = {}

    def read(self, message: Any, found: Gathering) -> str | None:
        """Take a message's readings; what is wrong with it, if nothing can be taken."""
        try:
            if self._settings.payload == "sparkplug":
                return self._read_sparkplug(message, found)
            return self._read_plain(message, found)
        except (SparkplugError, ValueError, OverflowError, RecursionError) as exc:
            # a message that could not be read must not stand in the way of all that come after it
            return (
                f"message on {_topic_of(message)}: {exc}; mend the sender, or topics and payload of the feed"
            )

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
                self.names[node, metric.alias] = metric.name
                if len(self.names) > MOST_NAMES:  # a node that makes up aliases must not fill the memory
                    del self.names[next(iter(self.names))]
            name = metric.name or (self.names.get((node, metric.alias)) if metric.alias is not None else None)
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


def _topic_of(message: Any) -> str:
    """The topic, for people; brokers should refuse one that is not UTF-8, and some do not."""
    try:
        return str(message.topic)
    except UnicodeDecodeError:
        return "a topic that is not UTF-8"


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
