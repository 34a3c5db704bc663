"""The archive of a share for its owner, who alone writes there.

An owner that was paused in the middle of a write cannot spoil anything when it wakes: what it
still writes are rows that its successor judges and writes itself, under lower numbers, so the successor's
stand; what it merged away is found again by looking anew.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from steadyhead.archive.archive import Archive, Thinned
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.place import ArchivePlace
from steadyhead.archive.shelf import Place
from steadyhead.errors import ArchiveError, DatabaseError
from steadyhead.live.sharing.fence import FencedDatabase

NUMBERS_OF_AN_OWNER = 1_000_000  # numbers of files, for each change of the owner


def open_own(place: ArchivePlace, steps_s: Mapping[str, int], database: FencedDatabase) -> Archive:
    """The archive of a share for its owner. Raises ArchiveError."""
    if place.store == "influx":  # points that are written twice are the same points
        return place.open(steps_s)
    return OwnArchive(place, steps_s, database)


class OwnArchive(EmbeddedArchive):
    """The embedded archive of a share, for its owner; writes nothing once that is another."""

    def __init__(self, place: ArchivePlace, steps_s: Mapping[str, int], database: FencedDatabase) -> None:
        super().__init__(place.folder, steps_s, place.keep)
        self._next = max(self._next, database.fence.fence * NUMBERS_OF_AN_OWNER)
        self._fenced = database

    def flush(self, stations: Collection[str] | None = None) -> None:
        """See ``archive.Archive``."""
        self._still_own()
        super().flush(stations)

    def thin(self, now_s: int) -> Thinned:
        """See ``archive.Archive``."""
        self._still_own()
        return super().thin(now_s)

    def _merge(self, place: Place) -> None:
        try:
            super()._merge(place)
        except FileNotFoundError:  # the owner before has merged them when it woke; they lie there as one
            with self._lock:
                self._full.look_again(place)

    def _still_own(self) -> None:
        try:
            if self._fenced.holds():
                return
        except DatabaseError as exc:
            raise ArchiveError(
                f"nothing is written while it cannot be told who owns the share: {exc}"
            ) from exc
        raise ArchiveError(f"{self._fenced.fence.name}: another process writes this archive by now")
