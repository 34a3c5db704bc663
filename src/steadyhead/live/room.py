"""The room: everything the API and the pages work with, wired in one place."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from steadyhead.access.accounts import Accounts
from steadyhead.archive.archive import Archive
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.live.intake import Intake
from steadyhead.live.runner import Runner
from steadyhead.live.settings import RoomSettings
from steadyhead.store.database import Database


@dataclass(slots=True)
class Room:
    """All that a running service consists of.

    folder : data folder; profiles : folder of learned profiles; clock : epoch seconds
    """

    settings: RoomSettings
    folder: Path
    registry: Registry
    knowledge: Knowledge
    database: Database
    archive: Archive
    profiles: Path
    desk: Desk
    accounts: Accounts
    intake: Intake
    runner: Runner
    news: News
    clock: Callable[[], float]

    def start(self) -> None:
        """Begin to run; returns at once."""
        raise NotImplementedError

    def stop(self) -> None:
        """End everything in order; what was accepted is safe."""
        raise NotImplementedError


def open_room(
    settings: RoomSettings, registry: Registry, *, clock: Callable[[], float] | None = None
) -> Room:
    """Open the data folder, the database and the archive; nothing runs until ``start``."""
    raise NotImplementedError
