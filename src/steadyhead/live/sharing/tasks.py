"""Tasks that exist once in a fleet: each feed, messages to people and programs, the weekly report, the house.

They are held like shares are. The outbox of messages has claims of its own besides, so that one that was
taken over in the middle of a sending waits until that is over.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from steadyhead.live.feed_rows import FeedState
from steadyhead.live.settings import RoomSettings

HOUSE = "house"
"""Counts of pushes for the page of feeds; ends of shelvings, suppressions and outages."""
NOTIFY = "notify"
OUTWARD = "alerts_out"
REPORT = "report"
FEED = "feed:"


class Works(Protocol):
    """A part of a service that is started and stopped."""

    def start(self) -> None:
        """Begin."""
        ...

    def stop(self) -> None:
        """End."""
        ...


@dataclass(frozen=True, slots=True)
class Task:
    """A task while it is held; it may be left at any moment, so ``abandon`` is ``stop``."""

    works: tuple[Works, ...] = ()
    states: Callable[[], dict[str, FeedState]] = dict

    def start(self) -> None:
        """Begin."""
        for one in self.works:
            one.start()

    def stop(self) -> None:
        """End."""
        for one in self.works:
            one.stop()

    def abandon(self) -> None:
        """End."""
        self.stop()


def tasks_of(settings: RoomSettings) -> tuple[str, ...]:
    """Names of all tasks that the settings ask for."""
    names = [HOUSE, NOTIFY, OUTWARD]
    if settings.report.is_made:
        names.append(REPORT)
    return (*names, *(f"{FEED}{name}" for name in settings.feeds))
