"""The journal: the file as a whole, and the bodies of its records."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from functools import cache
from typing import Any

import numpy as np

from steadyhead.errors import JournalError
from steadyhead.live.clock import Moment
from steadyhead.live.journal import Journal
from steadyhead.live.reports import Reports, from_bytes
from steadyhead.live.tallies import Entry, Refusal

from .made import NOW_S
from .target import Target, folder

MOMENT = Moment(1.0, float(NOW_S), float(NOW_S))


def feed(data: bytes) -> None:
    """The first byte: odd, the rest is the body of a record; even, it is the whole file."""
    if data and data[0] % 2:
        _body(data[1:])
        return
    place = folder() / "journal"
    place.mkdir(exist_ok=True)
    for old in place.iterdir():
        old.unlink()
    (place / "journal.db").write_bytes(data[1:])
    journal = Journal(place, reserve_bytes=0)
    try:
        for record in journal.read(0):
            if record.kind == "readings":
                with contextlib.suppress(JournalError):
                    from_bytes(record.body)
        journal.positions()
        journal.source_counts()
        journal.refusal_counts()
        journal.items_after(0)
        journal.append("readings", MOMENT, reports().to_bytes(), 2, [Entry("s", "json", 2)])
        journal.prune(journal.last_no - 1)
    finally:
        journal.close()


def _body(data: bytes) -> None:
    found = from_bytes(data)
    n = len(found)
    assert all(len(getattr(found, name)) == n for name in ("which", "role", "values", "flags"))
    assert n == 0 or int(found.which.max()) < len(found.names)
    assert all(isinstance(name, str) for name in found.names)


@cache
def reports() -> Reports:
    """Two readings of two stations."""
    return Reports(
        ("elm", "oak"), np.array([0, 1], np.uint32), np.array([1, 2], np.uint8),
        np.array([NOW_S * 10**6, NOW_S * 10**6 + 1]), np.array([400.0, np.nan]), np.array([0, 64], np.uint16),
    )  # fmt: skip


@cache
def corpus() -> list[bytes]:
    """A small journal, an empty one, a database that is none, and bodies."""
    place = folder() / "made"
    journal = Journal(place, reserve_bytes=0)
    entry = Entry("push:x", "json", 2, 0, [Refusal("elm", "P", "bad_time", 1, "x")], {"files": {}}, NOW_S)
    journal.append("readings", MOMENT, reports().to_bytes(), 2, [entry])
    journal.append("mark", MOMENT)
    journal.append("profile", MOMENT, json.dumps({"station": "elm", "version": "1"}).encode())
    journal.close()
    file = (place / "journal.db").read_bytes()
    other = folder() / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.executescript(
            "CREATE TABLE records (no INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT, listened_s, latest_s, earliest_s, n_items, "
            "body); INSERT INTO records VALUES (1, 'readings', 'x', NULL, 2, 'many', 'text');"
            "CREATE TABLE positions (source, position); INSERT INTO positions VALUES ('a', '{');"
            "PRAGMA user_version=1;"
        )
    return [b"\0" + file, b"\0", b"\0" + other.read_bytes(), b"\1" + reports().to_bytes(), b"\1", _resealed()]


def _resealed() -> bytes:
    """A body whose checksum is right and whose columns are too short."""
    import struct
    import zlib

    body: Any = b'["elm"]' + bytes(10)
    return b"\1" + struct.pack("<4sIII", b"SHR1", zlib.crc32(body), 7, 3) + body


TARGET = Target("journal_file", feed, corpus, (JournalError,), (b"SQLite format 3\0", b"SHR1"))
