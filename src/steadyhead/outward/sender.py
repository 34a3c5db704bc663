"""Keeps topics, points and condition nodes in step with the alert desk, each from a thread of its own.

What is told is a state and not an event: it is read from the database, and telling it twice changes nothing.
So nothing needs to be remembered over a restart, after which every station is told once more.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Collection
from typing import Any

from steadyhead.errors import DatabaseError, FeedError
from steadyhead.feeds.connector import BackOff
from steadyhead.outward.settings import OutSettings
from steadyhead.outward.telling import Telling
from steadyhead.profile.model import Profile
from steadyhead.store.database import Database
from steadyhead.types import Condition

log = logging.getLogger(__name__)

_PATIENCE_S = 20.0

Way = Callable[[Any, Telling], None]


class Outward:
    """Tells brokers, time series and OPC UA clients of alerts.

    ``errors`` holds what is wrong, by way, in words.
    profile_of : the profile in use of a station, or None; title_of : a condition in words
    """

    def __init__(
        self, settings: OutSettings, database: Database, stations: Collection[str],
        profile_of: Callable[[str], Profile | None], title_of: Callable[[Condition], str],
        now_s: Callable[[], float],
    ) -> None:  # fmt: skip
        self._settings, self._database, self._stations = settings, database, list(stations)
        self._profile_of, self._title_of, self._now_s = profile_of, title_of, now_s
        self._stop = threading.Event()
        self._threads: list[threading.Thread] = []
        self.errors: dict[str, str] = {}

    def start(self) -> None:
        """Begin; returns at once. Libraries are loaded for the ways that are wanted."""
        ways: list[tuple[str, Way, Any]] = []
        if self._settings.mqtt is not None:
            from steadyhead.outward.mqtt import publish

            ways.append(("mqtt", publish, self._settings.mqtt))
        if self._settings.influxdb is not None:
            from steadyhead.outward.influx import write

            ways.append(("influxdb", write, self._settings.influxdb))
        if self._settings.opcua is not None:
            from steadyhead.outward.opcua import serve

            ways.append(("opcua", serve, self._settings.opcua))
        self._threads = [
            threading.Thread(target=self._run, args=way, name=f"alerts to {way[0]}", daemon=True)
            for way in ways
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End; states that were told stay with the broker."""
        self._stop.set()
        for thread in self._threads:
            thread.join(_PATIENCE_S)
        self._threads = []

    def _run(self, name: str, way: Way, settings: Any) -> None:
        pause = BackOff(longest_s=30.0)

        def is_well() -> None:
            self.errors.pop(name, None)
            pause.reset()

        telling = Telling(
            self._database, self._stations, self._profile_of, self._title_of, self._now_s, self._stop, is_well
        )
        while not self._stop.is_set():
            try:
                way(settings, telling)
            except (FeedError, DatabaseError) as exc:
                self.errors[name] = str(exc)
                log.warning("alerts out: %s", exc)
            except Exception as exc:
                self.errors[name] = f"a defect ({type(exc).__name__}: {exc}); it is tried again"
                log.exception("alerts out: a defect; it is tried again")
            self._stop.wait(pause.next_s())
