"""The fence: a write goes through only while its writer is the owner, and the database sees to that.

A process that was paused for a minute does not know that another has taken over. So every transaction that
only the owner may do locks the row of the holding first and looks whether owner and fence are still its own;
whoever takes over changes that row, and has to wait until such transactions are over.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.errors import DatabaseError
from steadyhead.store.database import Database
from steadyhead.store.tables import HoldingRow


class LostHoldingError(DatabaseError):
    """Another process holds this by now; nothing was written."""


@dataclass(frozen=True, slots=True)
class Fence:
    """A right to write: the holding, its owner, and the fence at which it was taken."""

    name: str
    owner: str
    fence: int

    def is_held(self, session: Session) -> bool:
        """Whether the right holds now; it may be gone the next moment."""
        asked = select(HoldingRow.fence).where(HoldingRow.name == self.name, HoldingRow.owner == self.owner)
        return session.scalar(asked) == self.fence

    def check(self, session: Session) -> None:
        """Hold the right until the transaction ends. Raises LostHoldingError."""
        asked = select(HoldingRow.fence).where(HoldingRow.name == self.name, HoldingRow.owner == self.owner)
        if session.scalar(asked.with_for_update(read=True)) != self.fence:
            raise LostHoldingError(
                f"{self.name}: another process has taken this over; nothing was written here. This process "
                "goes on with what it still holds"
            )


class FencedDatabase(Database):
    """The database of one holding: every transaction that writes is checked first."""

    def __init__(self, database: Database, fence: Fence) -> None:
        super().__init__(database.engine, None)
        self.fence = fence

    def session(self) -> AbstractContextManager[Session]:
        """As ``Database.session``. Raises LostHoldingError if the holding is another's by now."""
        return self._fenced()

    def holds(self) -> bool:
        """Whether the holding is still this process's own. Raises DatabaseError if that cannot be told."""
        try:
            with self.session():
                return True
        except LostHoldingError:
            return False

    @contextmanager
    def _fenced(self) -> Iterator[Session]:
        with super().session() as session:
            self.fence.check(session)
            yield session
