"""OPC UA data values in the binary encoding, as a server sends them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

from asyncua import ua
from asyncua.common.utils import Buffer
from asyncua.ua.ua_binary import Primitives, from_binary, to_binary

from steadyhead.feeds.connector import Bit, Gathering
from steadyhead.feeds.opcua import _take

from .made import NOW_S, TAGS, way
from .target import Target


class _FewNulls:
    """The library believes the length of an array, and nulls take no bytes: that limit is its own, and it is told
    in docs/reliability.md. Here such an array ends so that the rest can be tried."""

    def __init__(self) -> None:
        self.left = 0

    def pack(self, _value: Any) -> bytes:
        return b""

    def unpack(self, _data: Any) -> None:
        self.left -= 1
        if self.left < 0:
            raise ValueError("more nulls than any value has")


NULLS = _FewNulls()
Primitives.Null = NULLS  # type: ignore[assignment]


def feed(data: bytes) -> None:
    """One value; the library's decoder may refuse it, what it lets through must come in or be refused."""
    NULLS.left = 1000
    try:
        value = from_binary(ua.DataValue, Buffer(data))
    except Exception:  # the library logs it and drops the message; nothing of it reaches us
        return
    found = Gathering()
    for tag in TAGS:
        _take(found, tag, value)
    way().commit(Bit(found.points(), {"through_us": NOW_S}))


def corpus() -> list[bytes]:
    """Numbers, texts, arrays, nothing; good and bad; with and without times."""
    at = datetime.fromtimestamp(NOW_S, UTC).replace(tzinfo=None)
    values: list[Any] = [
        ua.Variant(4.5, ua.VariantType.Double), ua.Variant(4.5, ua.VariantType.Float),
        ua.Variant(-3, ua.VariantType.Int16), ua.Variant(2**63, ua.VariantType.UInt64),
        ua.Variant("Bad", ua.VariantType.String), ua.Variant(True, ua.VariantType.Boolean),
        ua.Variant([1.0, 2.0], ua.VariantType.Double), ua.Variant(at, ua.VariantType.DateTime), ua.Variant(),
    ]  # fmt: skip
    found = []
    for n, value in enumerate(values):
        for code in (0, 0x40000000, 0x80000000):
            made = ua.DataValue(
                value, ua.StatusCode(code), SourceTimestamp=at + timedelta(seconds=n),
                ServerTimestamp=at if n % 2 else None,
            )  # fmt: skip
            found.append(bytes(to_binary(ua.DataValue, made)))
    return found


TARGET = Target("opcua_values", feed, corpus)
