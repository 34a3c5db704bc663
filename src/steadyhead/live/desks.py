"""The desk as the settings of a service want it, the same for one process and for many."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.desk.views import Hook
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.live.settings import RoomSettings
from steadyhead.store.database import Database

D = TypeVar("D", bound=Desk)


def desk_of(
    kind: type[D],
    settings: RoomSettings,
    database: Database,
    knowledge: Knowledge,
    registry: Registry,
    clock: Callable[[], float],
    hook: Hook,
    news: News | None = None,
) -> D:
    """A desk of a kind. clock : epoch seconds; news : what pages listen to, None for a desk without pages"""
    return kind(
        database, knowledge, registry, clock, [hook], news=news, operators=settings.operators,
        latching=settings.latching,
    )  # fmt: skip
