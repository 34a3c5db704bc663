"""Tell open pages that something has changed; what it is they ask for themselves."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

EventKind = Literal["alert", "feed", "station", "reload"]
ROOM = 256  # events that may wait for one reader; one that is further behind is better off reading anew


@dataclass(frozen=True, slots=True)
class Event:
    """Something changed: alert ``subject`` (its id) at ``change_no``, feed or station ``subject``.

    "reload" is what a reader that fell behind gets, as its last event: read everything anew and subscribe
    again.
    """

    kind: EventKind
    subject: str = ""
    change_no: int = 0


class Subscription:
    """One reader's queue. ``get`` waits; iterating ends after "reload" or once it is closed.

    Use it in a ``with``, so that it is forgotten when its reader goes.
    """

    def __init__(self, news: News, room: int) -> None:
        self._news = news
        self._room = room
        self._waiting: deque[Event] = deque()
        self._changed = threading.Condition()
        self._is_over = False

    def get(self, timeout_s: float | None = None) -> Event | None:
        """The next event; None if none came within the time, or if there will be no more."""
        with self._changed:
            self._changed.wait_for(lambda: self._waiting or self._is_over, timeout_s)
            return self._waiting.popleft() if self._waiting else None

    @property
    def is_over(self) -> bool:
        """Whether nothing will come any more; what still waits can be read."""
        return self._is_over

    def close(self) -> None:
        """Take no more events; a waiting reader is let go."""
        self._news._forget(self)
        with self._changed:
            self._is_over = True
            self._changed.notify_all()

    def _put(self, event: Event) -> bool:
        """Whether there was room; if not, all that waits is replaced by one "reload", the last event."""
        with self._changed:
            if self._is_over:
                return False
            is_full = len(self._waiting) >= self._room
            if is_full:
                self._waiting.clear()
                self._is_over = True
            self._waiting.append(Event("reload") if is_full else event)
            self._changed.notify_all()
            return not is_full

    def __iter__(self) -> Iterator[Event]:
        while (event := self.get()) is not None:
            yield event

    def __enter__(self) -> Subscription:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class News:
    """Hands every event to every reader; never waits for one."""

    def __init__(self, room: int = ROOM) -> None:
        self._room = room
        self._readers: tuple[Subscription, ...] = ()
        self._lock = threading.Lock()

    def subscribe(self) -> Subscription:
        """A queue of what is published from now on."""
        reader = Subscription(self, self._room)
        with self._lock:
            self._readers = (*self._readers, reader)
        return reader

    def publish(self, event: Event) -> None:
        """Hand an event to every reader; one that is too far behind is told to reload and dropped."""
        for reader in self._readers:
            if not reader._put(event):
                self._forget(reader)

    def close(self) -> None:
        """Let every reader go, for the end of the service."""
        for reader in self._readers:
            reader.close()

    def _forget(self, reader: Subscription) -> None:
        with self._lock:
            self._readers = tuple(other for other in self._readers if other is not reader)
