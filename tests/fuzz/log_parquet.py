"""Parquet logs. The first byte: odd, the rest is drawn into a sound table; even, it is the file as it is."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import date, time
from decimal import Decimal
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from steadyhead.errors import FeedError

from .log_source import read
from .made import NOW_S
from .target import Target

N = 4
_TIMES = [NOW_S + 60 * n for n in range(N)]
KINDS: tuple[Callable[[int], Any], ...] = (
    lambda n: pa.array([4.5 + n, None, float("nan"), 1e31]),
    lambda n: pa.array([1, -n, None, 3], pa.int16()),
    lambda n: pa.array(["4.5", "Bad", None, "é" * n]),
    lambda n: pa.array([b"4.5", b"\xff", None, bytes([n])], pa.binary()),
    lambda n: pa.array([Decimal("4.50"), None, Decimal(n), Decimal(1)], pa.decimal128(20, 2)),
    lambda n: pa.array([True, False, None, n > 9]),
    lambda n: pa.array([[1.0], [], None, [n, 2]], pa.list_(pa.float64())),
    lambda n: pa.array([{"a": n}, None, {"a": 1}, {"a": 2}]),
    lambda n: pa.array([date(2026, 3, 1)] * N),
    lambda n: pa.array([time(0, n % 60)] * N),
    lambda n: pa.array(_TIMES, pa.timestamp("s")),
    lambda n: pa.array([t * 1000 + n for t in _TIMES], pa.timestamp("ms", "UTC")),
    lambda n: pa.array([t * 10**9 for t in _TIMES], pa.timestamp("ns", "Asia/Tokyo")),
    lambda n: pa.array([2**62 - n, -(2**62), 0, None], pa.timestamp("us")),
    lambda n: pa.array([f"2026-03-01T00:0{k}:00" for k in range(N)]),
    lambda n: pa.array(["PIN", "POUT", "Q", None]).dictionary_encode(),
    lambda n: pa.nulls(N),
    lambda n: pa.array([2**64 - 1, 0, None, n], pa.uint64()),
    lambda n: pa.array(np.array([1, 2, 3, n], np.float16)),
    lambda n: pa.array([n] * N, pa.duration("s")),
)
NAMES = ("time", "PIN", "POUT", "Q", "tag", "value", "quality", "PIN.q", "day", "POUT.q", "Q.q")


def _table(data: bytes) -> bytes:
    """Columns by the bytes: each pair a name and a kind."""
    columns = {
        NAMES[data[i] % len(NAMES)]: KINDS[data[i + 1] % len(KINDS)](data[i] >> 4)
        for i in range(0, min(len(data) - 1, 40), 2)
    }
    written = io.BytesIO()
    pq.write_table(pa.table(columns), written)
    return written.getvalue()


def feed(data: bytes) -> None:
    """One file."""
    if data and data[0] % 2:
        read(data[0] >> 1, _table(data[1:]))
    else:
        read(data[0] >> 1 if data else 0, data[1:])


def corpus() -> list[bytes]:
    """Tables of all kinds of columns, wide and long, and what Parquet holds them in."""
    drawn = [bytes([d << 1 | 1, 0, t, 1, v, 2, v, 3, v, 4, 15, 5, v, 6, q, 7, q, 8, 2, 9, q, 10, q])
             for d in range(8) for t in (10, 11, 13, 14, 0) for v, q in ((0, 1), (2, 2), (4, 15), (6, 7))]  # fmt: skip
    return [*drawn, *(b"\0" + _table(one[1:]) for one in drawn[:4])]


TARGET = Target("log_parquet", feed, corpus, (FeedError,), (b"PAR1",))
