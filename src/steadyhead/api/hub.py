"""Live events for open pages: one thread listens to the desk's news and hands it to every open stream.

The news waits in threads, the streams in the event loop. One listening thread for all streams, rather than
one each, leaves the thread pool to the requests however many pages are open.
"""

from __future__ import annotations

import asyncio
import threading
from contextlib import suppress

from steadyhead.desk.news import Event, News, Subscription

ROOM = 256  # events that may wait for one page
LISTEN_S = 1.0
RELOAD = Event("reload")


class Listener:
    """One open stream's queue; used in the event loop only."""

    def __init__(self, key: str) -> None:
        self.key = key
        self.waiting: asyncio.Queue[Event] = asyncio.Queue(ROOM)

    def put(self, event: Event) -> None:
        """Add an event; a page too far behind is told to reload instead."""
        try:
            self.waiting.put_nowait(event)
        except asyncio.QueueFull:
            while not self.waiting.empty():
                self.waiting.get_nowait()
            self.waiting.put_nowait(RELOAD)


class Hub:
    """Hands the news to all open streams."""

    def __init__(self, news: News) -> None:
        self._news = news
        self._listeners: set[Listener] = set()
        self._thread: threading.Thread | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._over = threading.Event()
        self._subscription: Subscription | None = None

    @property
    def open_streams(self) -> int:
        """How many streams are open."""
        return len(self._listeners)

    def start(self) -> None:
        """Begin to listen; to be called in the event loop."""
        self._loop = asyncio.get_running_loop()
        self._over.clear()
        self._thread = threading.Thread(target=self._listen, name="events", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Listen no more."""
        self._over.set()
        if self._subscription is not None:
            self._subscription.close()
        if self._thread is not None:
            self._thread.join(2 * LISTEN_S)

    def join(self, key: str, most: int) -> Listener | None:
        """A queue of what is published from now on; None if this actor has ``most`` open already."""
        if sum(other.key == key for other in self._listeners) >= most:
            return None
        listener = Listener(key)
        self._listeners.add(listener)
        return listener

    def leave(self, listener: Listener) -> None:
        """The stream is closed."""
        self._listeners.discard(listener)

    def _listen(self) -> None:
        subscription = self._subscribe()
        while not self._over.is_set():
            event = subscription.get(LISTEN_S)
            if subscription.is_over and (event is None or event.kind == "reload"):
                # before the pages are told to reload, so that nothing after their reload is missed
                subscription = self._subscribe()
            if event is not None:
                self._hand_on(event)
        subscription.close()

    def _subscribe(self) -> Subscription:
        self._subscription = self._news.subscribe()
        return self._subscription

    def _hand_on(self, event: Event) -> None:
        if self._loop is not None:
            with suppress(RuntimeError):  # the loop was closed between two events
                self._loop.call_soon_threadsafe(self._spread, event)

    def _spread(self, event: Event) -> None:
        for listener in self._listeners:
            listener.put(event)
