"""What came from each source of a shared fleet: counted by share, read as sums over all shares."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from sqlalchemy import func, select, text
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.orm import Session

from steadyhead.errors import DatabaseError, JournalError
from steadyhead.live.tallies import MOST_REFUSALS, Entry, RefusalCount, SourceCount
from steadyhead.store.database import Database
from steadyhead.store.tables import ShareCountRow, SharePositionRow, ShareRefusalRow

DOOR = -1
"""Stands for a share in the counts of what was refused before it belonged to any."""


def note(session: Session, share: int, entry: Entry) -> None:
    """Add the counts of a batch, and the position after it, inside the caller's transaction."""
    if entry.accepted or entry.late or entry.refused:
        new = insert(ShareCountRow).values(
            share=share, source=entry.source, kind=entry.kind, accepted=entry.accepted, late=entry.late,
            refused=entry.refused, last_s=entry.at_s,
        )  # fmt: skip
        table = ShareCountRow
        session.execute(
            new.on_conflict_do_update(
                index_elements=["share", "source"],
                set_={
                    "kind": entry.kind,
                    "accepted": table.accepted + entry.accepted,
                    "late": table.late + entry.late,
                    "refused": table.refused + entry.refused,
                    "last_s": entry.at_s,
                },
            )
        )
    if entry.position is not None:
        position = json.loads(json.dumps(entry.position))
        new = insert(SharePositionRow).values(source=entry.source, position=position)
        session.execute(
            new.on_conflict_do_update(index_elements=["source"], set_={"position": new.excluded.position})
        )
    if entry.refusals:
        _note_refusals(session, share, entry)


def _note_refusals(session: Session, share: int, entry: Entry) -> None:
    # An estimate is enough for a bound, and counting for every batch is not.
    known = session.scalar(text("SELECT reltuples FROM pg_class WHERE relname = 'share_refusals'")) or 0
    for refusal in entry.refusals:
        is_room = known < MOST_REFUSALS
        new = insert(ShareRefusalRow).values(
            share=share, source=entry.source, station=refusal.station if is_room else "",
            tag=refusal.tag[:255] if is_room else "", reason=refusal.reason, n=refusal.n, first_s=entry.at_s,
            last_s=entry.at_s, example=refusal.example,
        )  # fmt: skip
        session.execute(
            new.on_conflict_do_update(
                index_elements=["share", "source", "station", "tag", "reason"],
                set_={"n": ShareRefusalRow.n + refusal.n, "last_s": entry.at_s, "example": refusal.example},
            )
        )


class FleetCounts:
    """Counts and positions of the whole fleet, as ``live.kinds.Counted``.

    is_ours : whether this process answers for a source; only those are given
    """

    def __init__(self, database: Database, is_ours: Callable[[str], bool] = lambda _: True) -> None:
        self._database, self._is_ours = database, is_ours

    def positions(self) -> dict[str, dict[str, Any]]:
        """How far each watched source has been read. Raises JournalError."""
        rows = self._rows(select(SharePositionRow.source, SharePositionRow.position))
        return {source: position for source, position in rows if self._is_ours(source)}

    def source_counts(self) -> list[SourceCount]:
        """What came from each source. Raises JournalError."""
        t = ShareCountRow
        sums = (func.max(t.kind), func.sum(t.accepted), func.sum(t.late), func.sum(t.refused))
        rows = self._rows(select(t.source, *sums, func.max(t.last_s)).group_by(t.source))
        return [
            SourceCount(source, kind, int(accepted), int(late), int(refused), int(last_s))
            for source, kind, accepted, late, refused, last_s in rows
            if self._is_ours(source)
        ]

    def refusal_counts(self) -> list[RefusalCount]:
        """Refusals by kind. Raises JournalError."""
        t = ShareRefusalRow
        key = (t.source, t.station, t.tag, t.reason)
        told = (func.sum(t.n), func.min(t.first_s), func.max(t.last_s), func.max(t.example))
        rows = self._rows(select(*key, *told).group_by(*key))
        return [
            RefusalCount(source, station, tag, reason, int(n), int(first_s), int(last_s), example)
            for source, station, tag, reason, n, first_s, last_s, example in rows
            if self._is_ours(source)
        ]

    def _rows(self, asked: Any) -> list[Any]:
        try:
            with self._database.reading() as session:
                return list(session.execute(asked).all())
        except DatabaseError as exc:
            raise JournalError(str(exc)) from exc
