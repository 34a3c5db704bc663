"""Gzip bodies of pushes: never more unpacked than the limit."""

from __future__ import annotations

import gzip

from steadyhead.api.body import gunzip
from steadyhead.api.problems import ProblemError

from .target import Target

MOST = 100_000


def feed(data: bytes) -> None:
    """One body."""
    assert len(gunzip(data, MOST)) <= MOST


def corpus() -> list[bytes]:
    """One member, two, and one that is far larger than it looks."""
    return [
        gzip.compress(b"plant,station=elm outlet=1\n", mtime=0),
        gzip.compress(b"a", mtime=0) + gzip.compress(b"b" * 1000, mtime=0),
        gzip.compress(bytes(5_000_000), mtime=0),
        b"",
    ]


TARGET = Target("body_gzip", feed, corpus, (ProblemError,), (b"\x1f\x8b\x08\x00", b"\x00\x00\xff\xff"))
