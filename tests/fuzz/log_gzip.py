"""Log files packed with gzip. The first byte: odd, the rest is packed before it is read; even, it is as it is."""

from __future__ import annotations

import gzip
import zlib

from steadyhead.errors import FeedError

from .log_csv import corpus as texts
from .log_source import read
from .target import Target


def feed(data: bytes) -> None:
    """One file; packed with a sound checksum so that what is inside is reached."""
    if data and data[0] % 2:
        read(data[0] >> 1, gzip.compress(data[1:], 1, mtime=0))
    else:
        read(data[0] >> 1 if data else 0, data[1:])


def corpus() -> list[bytes]:
    """Good files, two members in one, one cut short, one with a name and a comment in its head."""
    packed = [bytes([text[0] << 1]) + gzip.compress(text[1:], mtime=0) for text in texts()]
    named = b"\x1f\x8b\x08\x1f\0\0\0\0\0\x03\x02\0\x01\x01name\0said\0\0\0" + zlib.compress(
        b"time", wbits=-15
    )
    return [*packed, packed[0] + packed[0][1:], packed[0][:-6], b"\0" + named,
            *(bytes([text[0] << 1 | 1]) + text[1:] for text in texts())]  # fmt: skip


TARGET = Target("log_gzip", feed, corpus, (FeedError,), (b"\x1f\x8b\x08\x00", b"\x1f\x8b\x08\x1f"))
