"""What the threads of a live run work with."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.archive.archive import Archive
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.live.clock import Clock
from steadyhead.live.feed_rows import FeedRows
from steadyhead.live.folders import Folders
from steadyhead.live.intake import Intake
from steadyhead.live.kinds import JournalLike
from steadyhead.live.loop import Loop
from steadyhead.live.profile_files import ProfileFiles
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.settings import RoomSettings


@dataclass(frozen=True, slots=True)
class Parts:
    """What a runner and its housekeeper work with."""

    settings: RoomSettings
    registry: Registry
    clock: Clock
    journal: JournalLike
    intake: Intake
    quarantine: Quarantine
    archive: Archive
    desk: Desk
    news: News
    files: ProfileFiles
    loop: Loop
    feed_rows: FeedRows
    folders: Folders | None
