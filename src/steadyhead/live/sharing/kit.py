"""What everything that a process holds is made of."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.archive.place import ArchivePlace
from steadyhead.config import Registry
from steadyhead.desk.news import News
from steadyhead.desk.views import Hook
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.live.clock import Clock
from steadyhead.live.quarantine import Quarantine
from steadyhead.live.settings import RoomSettings
from steadyhead.live.sharing.inbox import Inbox
from steadyhead.live.sharing.layout import Plan
from steadyhead.store.database import Database


@dataclass(frozen=True, slots=True)
class Kit:
    """Of one process. hook : writes messages for people in the transaction of a change."""

    settings: RoomSettings
    registry: Registry
    knowledge: Knowledge
    database: Database
    plan: Plan
    inbox: Inbox
    clock: Clock
    news: News
    quarantine: Quarantine
    readings: ArchivePlace
    hook: Hook
