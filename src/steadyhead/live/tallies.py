"""How many readings came, were late and were refused: counted in the transaction of their batch."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from steadyhead.readings.rejects import storable

MOST_REFUSALS = 20_000  # kinds of refusals counted apart; a sender of made-up names cannot fill the disk
SELECT_REFUSALS = "SELECT source, station, tag, reason, n, first_s, last_s, example FROM refusals"
TABLES = """
CREATE TABLE IF NOT EXISTS positions (source TEXT PRIMARY KEY, position TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS counts (
    source TEXT PRIMARY KEY, kind TEXT NOT NULL, accepted INTEGER NOT NULL, late INTEGER NOT NULL,
    refused INTEGER NOT NULL, last_s INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS refusals (
    source TEXT NOT NULL, station TEXT NOT NULL, tag TEXT NOT NULL, reason TEXT NOT NULL,
    n INTEGER NOT NULL, first_s INTEGER NOT NULL, last_s INTEGER NOT NULL, example TEXT NOT NULL,
    PRIMARY KEY (source, station, tag, reason));
"""


@dataclass(frozen=True, slots=True)
class Refusal:
    """Refused readings of one kind: how many in this batch, and one of them."""

    station: str
    tag: str
    reason: str
    n: int
    example: str


@dataclass(frozen=True, slots=True)
class Entry:
    """What one batch adds besides its readings.

    source, kind : who sent it and how; accepted, late, refused : counts of this batch
    position : how far ``source`` has been read, for a watched file; None leaves it
    """

    source: str
    kind: str
    accepted: int = 0
    late: int = 0
    refusals: Sequence[Refusal] = ()
    position: Mapping[str, Any] | None = None
    at_s: int = 0

    @property
    def refused(self) -> int:
        """Number of refused readings."""
        return sum(refusal.n for refusal in self.refusals)


@dataclass(frozen=True, slots=True)
class SourceCount:
    """What came from a source since the data folder was made."""

    source: str
    kind: str
    accepted: int
    late: int
    refused: int
    last_s: int


@dataclass(frozen=True, slots=True)
class RefusalCount:
    """How often something was refused since the data folder was made."""

    source: str
    station: str
    tag: str
    reason: str
    n: int
    first_s: int
    last_s: int
    example: str


def note(connection: sqlite3.Connection, entry: Entry) -> None:
    """Add the counts of a batch, inside the caller's transaction."""
    connection.execute(
        "INSERT INTO counts VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (source) DO UPDATE SET "
        "kind = excluded.kind, accepted = accepted + excluded.accepted, late = late + excluded.late, "
        "refused = refused + excluded.refused, last_s = excluded.last_s",
        (entry.source, entry.kind, entry.accepted, entry.late, entry.refused, entry.at_s),
    )
    if entry.position is not None:
        connection.execute(
            "INSERT OR REPLACE INTO positions VALUES (?, ?)",
            (entry.source, json.dumps(entry.position, separators=(",", ":"))),
        )
    if entry.refusals:
        _note_refusals(connection, entry.refusals, entry)


def _note_refusals(connection: sqlite3.Connection, refusals: Iterable[Refusal], entry: Entry) -> None:
    room = MOST_REFUSALS - int(connection.execute("SELECT count(*) FROM refusals").fetchone()[0])
    for refusal in refusals:
        key = (entry.source, storable(refusal.station), storable(refusal.tag), refusal.reason)
        known = connection.execute(
            "SELECT 1 FROM refusals WHERE (source, station, tag, reason) = (?, ?, ?, ?)", key
        ).fetchone()
        if known is None and room <= 0:
            key = (entry.source, "", "", refusal.reason)
        room -= known is None
        connection.execute(
            "INSERT INTO refusals VALUES (?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (source, station, tag, reason) DO UPDATE SET n = n + excluded.n, "
            "last_s = excluded.last_s, example = excluded.example",
            (*key, refusal.n, entry.at_s, entry.at_s, storable(refusal.example)),
        )
