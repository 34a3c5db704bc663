"""What the stations of a share are doing, as the pages of other processes read it from the database."""

from __future__ import annotations

import json
import threading
import time
import zlib
from collections.abc import Mapping
from dataclasses import asdict

from sqlalchemy import delete, insert, select

from steadyhead.live.sharing.fence import FencedDatabase
from steadyhead.live.views import Learning, StationView
from steadyhead.store.database import Database
from steadyhead.store.tables import ShareViewRow

KEPT_S = 2.0  # what was read is good for so long


def write_views(
    database: FencedDatabase,
    share: int,
    views: Mapping[str, StationView],
    last_data_s: int | None,
    now_s: float,
) -> None:
    """Put the views of a share in place of those before. Raises DatabaseError."""
    text = json.dumps([asdict(view) for view in views.values()], separators=(",", ":"))
    with database.session() as session:
        session.execute(delete(ShareViewRow).where(ShareViewRow.share == share))
        session.execute(
            insert(ShareViewRow).values(
                share=share, at_s=int(now_s), last_data_s=last_data_s, body=zlib.compress(text.encode(), 1)
            )
        )


class Shown:
    """Views of all shares as their owners last wrote them. Threads may share it."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._lock = threading.Lock()
        self._read_at = float("-inf")
        self._views: dict[int, dict[str, StationView]] = {}
        self._written_s: dict[int, int] = {}
        self._last_data_s: dict[int, int | None] = {}

    def of(self, share: int) -> Mapping[str, StationView]:
        """Views of the stations of a share; empty before its owner has written any. Raises DatabaseError."""
        self._read()
        return self._views.get(share, {})

    def last_data_s(self) -> int | None:
        """Newest data time of all shares. Raises DatabaseError."""
        self._read()
        return max((at for at in self._last_data_s.values() if at is not None), default=None)

    def _read(self) -> None:
        with self._lock:
            if time.monotonic() - self._read_at < KEPT_S:
                return
            t = ShareViewRow
            with self._database.reading() as session:
                written = {row[0]: row[1] for row in session.execute(select(t.share, t.at_s))}
                new = [share for share, at_s in written.items() if self._written_s.get(share) != at_s]
                rows = session.scalars(select(t).where(t.share.in_(new))).all() if new else []
            for row in rows:
                self._views[row.share] = _views(row.body)
                self._written_s[row.share], self._last_data_s[row.share] = row.at_s, row.last_data_s
            self._read_at = time.monotonic()


def _views(body: bytes) -> dict[str, StationView]:
    found = {}
    for one in json.loads(zlib.decompress(body)):
        learning = one.pop("learning")
        view = StationView(**one, learning=None if learning is None else Learning(**learning))
        found[view.station] = view
    return found
