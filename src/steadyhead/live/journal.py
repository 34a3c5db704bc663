"""The journal: what has been accepted, numbered and safe from a power cut before anybody is told so.

One SQLite file in WAL mode with ``synchronous=FULL``: a commit returns after the disk has it. Everything that
influences the run is in it in one order (batches of readings, clock marks, new profiles), so that the run
after a crash does what the run before it did. The same transaction keeps how far each watched file was read
and how many readings were accepted, late and refused, so none of it is counted twice.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from steadyhead.errors import JournalError
from steadyhead.live.clock import Moment
from steadyhead.live.tallies import SELECT_REFUSALS, TABLES, Entry, RefusalCount, SourceCount, note

Kind = Literal["readings", "mark", "profile"]

NAME = "journal.db"
RESERVE_BYTES = 32 << 20  # left free on the disk, so that alerts and checkpoints can still be written
_RECORDS_AT_A_TIME = 1000  # pruned in a transaction
_PAGES_GIVEN_BACK = 1000  # to the disk, in a piece; after a long stop the file shrinks over several prunings
_PIECES_GIVEN_BACK = 20
_FORM = 1
_TABLES = """
CREATE TABLE IF NOT EXISTS records (
    no INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, listened_s REAL NOT NULL,
    latest_s REAL NOT NULL, earliest_s REAL NOT NULL, n_items INTEGER NOT NULL, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS listened (one INTEGER PRIMARY KEY CHECK (one = 1), listened_s REAL NOT NULL);
"""


@dataclass(frozen=True, slots=True)
class Record:
    """One numbered record; ``body`` is a ``Reports``, or JSON for a profile."""

    no: int
    kind: Kind
    moment: Moment
    n_items: int
    body: bytes


class Journal:
    """An open journal; threads may share it.

    max_mb : size at which nothing is accepted any more
    Raises JournalError if the file cannot be opened or is no journal.
    """

    def __init__(self, folder: Path, max_mb: float = 4096.0, reserve_bytes: int = RESERVE_BYTES) -> None:
        self.path = folder / NAME
        self._max_bytes = int(max_mb * 1024 * 1024)
        self._reserve_bytes = reserve_bytes
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
            self._reader = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False)
        except (sqlite3.Error, OSError) as exc:
            raise self._in_words(exc) from exc
        try:
            self._set_up()
        except (sqlite3.Error, JournalError, TypeError, ValueError) as exc:
            self.close()
            raise self._in_words(exc) from exc

    def _set_up(self) -> None:
        self._connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
        for connection in (self._connection, self._reader):
            connection.execute("PRAGMA busy_timeout=10000")
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
        self._connection.execute(f"PRAGMA journal_size_limit={64 << 20}")
        form = self._connection.execute("PRAGMA user_version").fetchone()[0]
        if form not in (0, _FORM):
            raise JournalError(
                f"{self.path}: is of form {form}, this program knows {_FORM}; update the program, or let the "
                "older one finish and stop it in order first"
            )
        self._connection.executescript(
            f"BEGIN IMMEDIATE; {_TABLES} {TABLES} PRAGMA user_version={_FORM}; COMMIT;"
        )
        sequence = self._connection.execute(
            "SELECT seq FROM sqlite_sequence WHERE name = 'records'"
        ).fetchone()
        self._last_no = int(sequence[0]) if sequence else 0
        row = self._connection.execute("SELECT listened_s FROM listened").fetchone()
        self._listened_s = float(row[0]) if row else 0.0

    # ------------------------------------------------------------ writing

    def append(
        self, kind: Kind, moment: Moment, body: bytes = b"", n_items: int = 0, entries: Sequence[Entry] = ()
    ) -> int:
        """Commit a record; returns its number. It is on the disk when this returns.

        Raises JournalError if there is no room or the disk fails; nothing of it is kept then.
        """
        with self._lock:
            self._refuse_if_full(len(body))
            with self._transaction() as connection:
                cursor = connection.execute(
                    "INSERT INTO records (kind, listened_s, latest_s, earliest_s, n_items, body) "
                    "VALUES (?, ?, ?, ?, ?, ?)",
                    (kind, moment.listened_s, moment.latest_s, moment.earliest_s, n_items, body),
                )
                self._note_listened(connection, moment)
                for entry in entries:
                    note(connection, entry)
            self._last_no = int(cursor.lastrowid or 0)
            self._listened_s = moment.listened_s
            return self._last_no

    def note(self, entries: Sequence[Entry]) -> None:
        """Commit counts alone, of a batch of which nothing was accepted. Errors as ``append``."""
        with self._lock:
            self._refuse_if_full(0)
            with self._transaction() as connection:
                for entry in entries:
                    note(connection, entry)

    def prune(self, through_no: int) -> int:
        """Delete records that checkpoints and archive have outlived; returns how many.

        Some at a time, so that what is appended meanwhile waits a moment only.
        """
        n = 0
        while some := self._prune_some(through_no):
            n += some
        for _ in range(_PIECES_GIVEN_BACK):
            with self._lock:
                try:
                    self._connection.execute(f"PRAGMA incremental_vacuum({_PAGES_GIVEN_BACK})").fetchall()
                    (left,) = self._connection.execute("PRAGMA freelist_count").fetchone()
                except sqlite3.Error as exc:
                    raise self._in_words(exc) from exc
            if not left:
                break
        return n

    def _prune_some(self, through_no: int) -> int:
        with self._lock, self._transaction() as connection:
            first = connection.execute("SELECT min(no) FROM records").fetchone()[0]
            if first is None or first > through_no:
                return 0
            to_no = min(through_no, first + _RECORDS_AT_A_TIME - 1)
            return int(connection.execute("DELETE FROM records WHERE no <= ?", (to_no,)).rowcount)

    def close(self) -> None:
        """Let go of the file."""
        with self._lock, self._reading:
            self._connection.close()
            self._reader.close()

    # ------------------------------------------------------------ reading

    @property
    def last_no(self) -> int:
        """Number of the last record ever written; 0 for none."""
        return self._last_no

    @property
    def listened_s(self) -> float:
        """Listening time of the last record."""
        return self._listened_s

    def read(self, after_no: int, most_items: int = 200_000) -> list[Record]:
        """Records after ``after_no`` in order, until ``most_items`` readings are passed.

        Raises JournalError if the file cannot be read.
        """
        records: list[Record] = []
        n = 0
        try:
            with self._reading:
                rows = self._reader.execute(
                    "SELECT no, kind, listened_s, latest_s, earliest_s, n_items, body FROM records "
                    "WHERE no > ? ORDER BY no",
                    (after_no,),
                )
                for no, kind, listened_s, latest_s, earliest_s, n_items, body in rows:
                    records.append(Record(no, kind, Moment(listened_s, latest_s, earliest_s), n_items, body))
                    n += n_items
                    if n >= most_items:
                        break
                rows.close()
        except sqlite3.Error as exc:
            raise self._in_words(exc) from exc
        except TypeError as exc:
            raise JournalError(
                f"{self.path}: record {no} is spoiled ({exc}); restore the data folder"
            ) from exc
        return records

    def items_after(self, no: int) -> tuple[int, float]:
        """Readings in records after ``no``, and the listening time of the first of these records."""
        found = self._rows(
            "SELECT coalesce(sum(n_items), 0), min(listened_s) FROM records WHERE no > ?", (no,)
        )
        n, first = found[0]
        return int(n), float(first) if first is not None else self._listened_s

    def positions(self) -> dict[str, dict[str, Any]]:
        """How far each watched source has been read."""
        try:
            return {s: json.loads(p) for s, p in self._rows("SELECT source, position FROM positions")}
        except (ValueError, TypeError) as exc:
            raise JournalError(
                f"{self.path}: how far a source was read is spoiled ({exc}); restore the data folder"
            ) from exc

    def source_counts(self) -> list[SourceCount]:
        """What came from each source."""
        rows = self._rows("SELECT source, kind, accepted, late, refused, last_s FROM counts")
        return [SourceCount(*row) for row in rows]

    def refusal_counts(self) -> list[RefusalCount]:
        """Refusals by kind."""
        return [RefusalCount(*row) for row in self._rows(SELECT_REFUSALS)]

    def used_bytes(self) -> int:
        """Bytes in use, without free pages."""
        pages = self._pragma("page_count") - self._pragma("freelist_count")
        return pages * self._pragma("page_size")

    def free_bytes(self) -> int:
        """Room left on the disk."""
        return shutil.disk_usage(self.path.parent).free

    # ------------------------------------------------------------ inner

    def _rows(self, statement: str, values: tuple[object, ...] = ()) -> list[Any]:
        try:
            with self._reading:
                return self._reader.execute(statement, values).fetchall()
        except sqlite3.Error as exc:
            raise self._in_words(exc) from exc

    def _pragma(self, name: str) -> int:
        return int(self._rows(f"PRAGMA {name}")[0][0])

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction, wholly in or wholly out; the caller holds the lock."""
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            yield self._connection
            self._connection.execute("COMMIT")
        except BaseException as exc:
            if self._connection.in_transaction:
                self._connection.rollback()
            if isinstance(exc, sqlite3.Error):
                raise self._in_words(exc) from exc
            raise

    def _refuse_if_full(self, n_bytes: int) -> None:
        free = self.free_bytes()
        if free < self._reserve_bytes + n_bytes:
            raise JournalError(
                f"{self.path.parent}: only {free >> 20} MB are free on its disk; readings are refused until "
                "there is room. Free some space there; senders should keep their readings and try again"
            )
        # asked on this connection: the other one may be busy with a long read
        pages, free_pages, size = (
            int(self._connection.execute(f"PRAGMA {name}").fetchone()[0])
            for name in ("page_count", "freelist_count", "page_size")
        )
        used = (pages - free_pages) * size
        if used + n_bytes > self._max_bytes:
            raise JournalError(
                f"{self.path}: holds {used >> 20} MB of readings that are not judged yet, the most that "
                "journal_max_mb allows; see on the page of feeds what the run is waiting for"
            )

    def _note_listened(self, connection: sqlite3.Connection, moment: Moment) -> None:
        connection.execute("INSERT OR REPLACE INTO listened VALUES (1, ?)", (moment.listened_s,))

    def _in_words(self, exc: Exception) -> JournalError:
        if isinstance(exc, JournalError):
            return exc
        said = str(exc)
        if "full" in said or "disk I/O" in said or "No space" in said or "too large" in said:
            return JournalError(
                f"{self.path}: cannot be written ({said}); readings are refused until there is room. Free "
                "some space there; senders should keep their readings and try again"
            )
        return JournalError(f"{self.path}: {said}; check its folder's rights and disk, or restore it")
