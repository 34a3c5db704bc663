"""Sparkplug B payloads, decoded by the open specification (Eclipse Sparkplug 3.0, section 6.4).

The message is Protocol Buffers. Its fields are built here as a descriptor, field by field from the tables of
the specification, so that the protobuf library reads it without a file of ours being compiled. Only what a
reading needs is declared; a reader of Protocol Buffers steps over the rest.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

_F = descriptor_pb2.FieldDescriptorProto
_PACKAGE = "steadyhead.sparkplug"

# (name, number, type, is repeated), of Payload and of Payload.Metric
_PAYLOAD = (("timestamp", 1, _F.TYPE_UINT64, False), ("seq", 3, _F.TYPE_UINT64, False))
_METRIC = (
    ("name", 1, _F.TYPE_STRING, False), ("alias", 2, _F.TYPE_UINT64, False),
    ("timestamp", 3, _F.TYPE_UINT64, False), ("datatype", 4, _F.TYPE_UINT32, False),
    ("is_historical", 5, _F.TYPE_BOOL, False), ("is_transient", 6, _F.TYPE_BOOL, False),
    ("is_null", 7, _F.TYPE_BOOL, False),
    ("int_value", 10, _F.TYPE_UINT32, False), ("long_value", 11, _F.TYPE_UINT64, False),
    ("float_value", 12, _F.TYPE_FLOAT, False), ("double_value", 13, _F.TYPE_DOUBLE, False),
    ("boolean_value", 14, _F.TYPE_BOOL, False), ("string_value", 15, _F.TYPE_STRING, False),
)  # fmt: skip
_PROPERTY_SET = (("keys", 1, _F.TYPE_STRING, True),)
_PROPERTY = (
    ("type", 1, _F.TYPE_UINT32, False), ("is_null", 2, _F.TYPE_BOOL, False),
    ("int_value", 3, _F.TYPE_UINT32, False), ("long_value", 4, _F.TYPE_UINT64, False),
    ("string_value", 8, _F.TYPE_STRING, False),
)  # fmt: skip
_INT_BITS = {1: 8, 2: 16, 3: 32, 4: 64}  # signed data types: sent as two's complement in an unsigned field
_BOOLEAN = 11
GOOD, STALE, BAD = 192, 500, 0  # the quality property, section 6.4.16


@dataclass(frozen=True, slots=True)
class Metric:
    """One value of a message.

    name : None where only an alias was sent; us : microseconds since 1970 UTC, None if it has no time
    value : number or text, None for null; quality : as the property said, None if there was none
    """

    name: str | None
    alias: int | None
    us: int | None
    value: Any
    quality: int | None


@dataclass(frozen=True, slots=True)
class Payload:
    """A decoded message; us is its own time, None if it has none."""

    us: int | None
    seq: int | None
    metrics: list[Metric]


class SparkplugError(ValueError):
    """A payload is no Sparkplug B message."""


def _message(file: Any, name: str, fields: Any) -> Any:
    message = file.message_type.add(name=name)
    for field_name, number, kind, is_repeated in fields:
        label = _F.LABEL_REPEATED if is_repeated else _F.LABEL_OPTIONAL
        message.field.add(name=field_name, number=number, type=kind, label=label)
    return message


def _payload_class() -> Any:
    file = descriptor_pb2.FileDescriptorProto(
        name="steadyhead/sparkplug.proto", package=_PACKAGE, syntax="proto2"
    )
    _message(file, "Property", _PROPERTY)
    properties = _message(file, "PropertySet", _PROPERTY_SET)
    properties.field.add(name="values", number=2, type=_F.TYPE_MESSAGE, label=_F.LABEL_REPEATED,
                         type_name=f".{_PACKAGE}.Property")  # fmt: skip
    metric = _message(file, "Metric", _METRIC)
    metric.field.add(name="properties", number=9, type=_F.TYPE_MESSAGE, label=_F.LABEL_OPTIONAL,
                     type_name=f".{_PACKAGE}.PropertySet")  # fmt: skip
    payload = _message(file, "Payload", _PAYLOAD)
    payload.field.add(name="metrics", number=2, type=_F.TYPE_MESSAGE, label=_F.LABEL_REPEATED,
                      type_name=f".{_PACKAGE}.Metric")  # fmt: skip
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    return message_factory.GetMessageClass(pool.FindMessageTypeByName(f"{_PACKAGE}.Payload"))


PayloadMessage = _payload_class()


def decode(body: bytes) -> Payload:
    """A message's metrics. Raises SparkplugError if it is none."""
    message = PayloadMessage()
    try:
        message.ParseFromString(body)
    except (DecodeError, UnicodeDecodeError) as exc:
        raise SparkplugError(f"is no Sparkplug B payload ({exc})") from exc
    us = int(message.timestamp) * 1000 if message.HasField("timestamp") else None
    seq = int(message.seq) if message.HasField("seq") else None
    return Payload(us, seq, [_metric(one) for one in message.metrics])


def _metric(one: Any) -> Metric:
    return Metric(
        name=_text(one.name) if one.HasField("name") and one.name else None,
        alias=int(one.alias) if one.HasField("alias") else None,
        us=int(one.timestamp) * 1000 if one.HasField("timestamp") else None,
        value=None if one.is_null else _value(one),
        quality=_quality(one),
    )


def _value(one: Any) -> Any:
    if one.HasField("float_value"):
        # a 32-bit float as people wrote it: 4.1 and not 4.0999999046
        return float(f"{struct.unpack('f', struct.pack('f', one.float_value))[0]:.7g}")
    if one.HasField("double_value"):
        return float(one.double_value)
    for name in ("int_value", "long_value"):
        if one.HasField(name):
            number = int(getattr(one, name))
            bits = _INT_BITS.get(one.datatype)
            if bits is not None:
                number &= (1 << bits) - 1
                number -= (1 << bits) if number >= 1 << (bits - 1) else 0
            return number
    if one.HasField("boolean_value"):
        return bool(one.boolean_value)
    return _text(one.string_value) if one.HasField("string_value") else None


def _text(value: str | bytes) -> str:
    """A text; one that is not UTF-8 comes as bytes."""
    return value if isinstance(value, str) else value.decode("utf-8", "replace")


def _quality(one: Any) -> int | None:
    if not one.HasField("properties"):
        return None
    for key, value in zip(one.properties.keys, one.properties.values, strict=False):
        if _text(key).casefold() == "quality" and not value.is_null:
            return int(value.long_value if value.HasField("long_value") else value.int_value)
    return None
