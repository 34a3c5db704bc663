"""Sparkplug B payloads: first line the topic, the rest the Protocol Buffers message."""

from __future__ import annotations

from typing import Any

from steadyhead.feeds.sparkplug import PayloadMessage

from .made import NOW_S
from .mqtt_json import listening
from .target import Target


def feed(data: bytes) -> None:
    """One message."""
    topic, _, payload = data.partition(b"\n")
    listening("sparkplug").take(topic, payload)


def _payload(**metrics: Any) -> bytes:
    message = PayloadMessage(timestamp=NOW_S * 1000, seq=1)
    for n, (name, given) in enumerate(metrics.items()):
        metric = message.metrics.add(name=name, alias=n + 1, datatype=10)
        quality = given.pop("quality", None)
        for key, value in given.items():
            setattr(metric, key, value)
        if quality is not None:
            metric.properties.keys.append("Quality")
            metric.properties.values.add(type=3, int_value=quality)
    return bytes(message.SerializeToString())


def corpus() -> list[bytes]:
    """Births, data by name and by alias, all kinds of numbers."""
    kinds = [
        _payload(PIN={"float_value": 4.1}, POUT={"double_value": 3.9, "quality": 192}),
        _payload(PIN={"int_value": 2**32 - 5, "datatype": 3}, POUT={"long_value": 2**63, "datatype": 4}),
        _payload(PIN={"is_null": True}, POUT={"string_value": "Bad"}, FLOW={"boolean_value": True}),
        _payload(PIN={"float_value": 4.1, "timestamp": NOW_S * 1000 - 500, "quality": 500}),
        b"",
    ]
    alias = PayloadMessage(timestamp=NOW_S * 1000)
    alias.metrics.add(alias=1, double_value=4.2)
    kinds.append(bytes(alias.SerializeToString()))
    topics = (b"NBIRTH/elm", b"NDATA/elm", b"DBIRTH/node/elm", b"DDATA/node/elm", b"NDEATH/elm")
    return [b"spBv1.0/site/" + topic + b"\n" + body for topic in topics for body in kinds]


TARGET = Target(
    "sparkplug_b", feed, corpus,
    words=(b"spBv1.0/", b"/NBIRTH/", b"/DDATA/", b"STATE\n", b"\xff\xff\xff\xff\xff\xff\xff\xff\x7f"),
)  # fmt: skip
