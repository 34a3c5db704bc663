"""Feeds that connect (SQL, MQTT, OPC UA ...) brought into the journal: one thread for each.

Readings and the position after them are committed in one transaction, as for watched folders. A feed that
fails is tried again after a pause that grows; what is wrong stands on the page of feeds meanwhile.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from steadyhead.errors import FeedError, JournalError, RegistryError
from steadyhead.feeds.connector import BackOff, Bit, Connector, Position
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import FeedSettings
from steadyhead.feeds.turning import Turned, turn
from steadyhead.live.batch import Columns
from steadyhead.live.feed_rows import FeedState
from steadyhead.live.intake import Intake, Part
from steadyhead.live.kinds import Counted
from steadyhead.live.tallies import Refusal

log = logging.getLogger(__name__)

MOST_BEHIND = 30  # records that may wait to be judged while stored readings are brought in
PATIENCE_S = 5.0  # in which a feed is to end by itself
CATCH_UP_S = 86_400  # a source further behind than this is brought up like a backfill


@dataclass(slots=True)
class _Feed:
    name: str
    settings: FeedSettings
    source: str
    connector: Connector | None = None
    state: FeedState = field(default_factory=lambda: FeedState("", "waiting"))


class Connections:
    """All feeds of the settings. ``states`` may be asked from any thread.

    behind : how many records of the journal wait to be judged; now_s : the clock
    """

    def __init__(
        self, feeds: Mapping[str, FeedSettings], intake: Intake, journal: Counted, behind: Callable[[], int],
        now_s: Callable[[], float], future_s: int,
    ) -> None:  # fmt: skip
        self._intake, self._journal, self._behind = intake, journal, behind
        self._now_s, self._future_s = now_s, future_s
        self._feeds = [
            _Feed(name, one, f"feed:{name}", state=FeedState(one.kind, "waiting"))
            for name, one in feeds.items()
        ]
        self._threads: list[threading.Thread] = []
        self._stop = threading.Event()
        self._mappers: dict[str, Mapper] = {}

    def states(self) -> dict[str, FeedState]:
        """How each feed is doing, by the name of its source."""
        return {feed.source: feed.state for feed in self._feeds}

    def start(self) -> None:
        """Begin; returns at once."""
        self._threads = [
            threading.Thread(target=self._run, args=(feed,), name=feed.source, daemon=True)
            for feed in self._feeds
        ]
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """End all feeds; what was committed stays."""
        self._stop.set()
        for thread, feed in zip(self._threads, self._feeds, strict=False):
            thread.join(PATIENCE_S)
            if (
                thread.is_alive() and (connector := feed.connector) is not None
            ):  # in the middle of a long answer
                connector.close()
                thread.join(PATIENCE_S)
        self._threads = []

    # ------------------------------------------------------------ one feed, in its thread

    def _run(self, feed: _Feed) -> None:
        pause = BackOff()
        while not self._stop.is_set():
            try:
                for bit in self._bits(feed):
                    self._commit(feed, bit)
                    pause.reset()
                    feed.state = FeedState(feed.settings.kind, "ok")
            except (FeedError, RegistryError, JournalError) as exc:
                if self._stop.is_set():
                    break
                feed.state = FeedState(feed.settings.kind, "error", str(exc))
                log.warning("feed %s: %s", feed.name, exc)
            except Exception as exc:  # a defect of ours or of a library must not end the other feeds
                if self._stop.is_set():
                    break
                log.exception("feed %s: a defect; it is tried again", feed.name)
                text = (
                    f"{feed.name}: {type(exc).__name__}: {exc}; a defect, please report it; it is tried again"
                )
                feed.state = FeedState(feed.settings.kind, "error", text)
            finally:
                if feed.connector is not None:
                    feed.connector.close()
                    feed.connector = None
            self._stop.wait(pause.next_s())

    def _bits(self, feed: _Feed) -> Iterator[Bit]:
        mapper = Mapper(load_mapping(feed.settings.mapping))
        self._mappers[feed.source] = mapper
        feed.connector = connector = open_connector(feed.name, feed.settings)
        position: Position | None = self._journal.positions().get(feed.source)
        now_s, from_s = int(self._now_s()), feed.settings.backfill_from_s
        through_s = None if position is None else position.get("through_us", now_s * 1_000_000) / 1e6
        start_s = from_s if through_s is None else int(through_s)
        if start_s is not None and now_s - start_s > CATCH_UP_S:
            for bit in connector.backfill(start_s, now_s, position):
                position = bit.position
                yield bit
        feed.state = FeedState(feed.settings.kind, "ok")
        yield from connector.live(position, self._stop)

    def _commit(self, feed: _Feed, bit: Bit) -> None:
        while self._behind() > MOST_BEHIND:
            if self._stop.wait(0.05):
                return
        if self._stop.is_set():
            return
        part = self.part(feed, bit)
        self._intake.commit([part])
        if bit.when_safe is not None:
            bit.when_safe()

    def part(self, feed: _Feed, bit: Bit) -> Part:
        """What a batch brings, as the intake takes it."""
        mapper = self._mappers[feed.source]
        latest_us = round((self._now_s() + self._future_s) * 1e6)
        turned = turn(bit.points, mapper, latest_us, self._intake.doors)
        refusals = [Refusal(one.station, one.tag, one.why, one.n, one.example) for one in turned.refusals]
        refusals += [Refusal("", "", "bad_item", 1, text) for text in bit.lost]
        return Part(feed.source, feed.settings.kind, self._columns(turned), refusals, (), bit.position)

    def _columns(self, turned: Turned) -> Columns:
        doors = [self._intake.doors[name] for name in turned.stations]
        index = np.array([door.index for door in doors], np.int64)
        shift_us = np.array([door.shift_us for door in doors], np.int64)
        which = index[turned.station] if len(doors) else np.zeros(0, np.int64)
        us = turned.us + (shift_us[turned.station] if len(doors) else 0)
        return Columns(which, turned.role, us, turned.values, turned.flags)
