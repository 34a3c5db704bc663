"""How old is old: when a reading is overdue by its station's rhythm, and when a feed has fallen silent."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass, field

from sqlalchemy import select
from starlette.requests import Request

from steadyhead.config.model import Station
from steadyhead.live.room import Room
from steadyhead.store.tables import FeedRow

GRACE_S = 30  # a reading may be this much late on its way
FEED_GRACE_S = 20  # the rest of those 30 s is for the page to hear of it
UNSTATED_S = 3600  # longest silence of on-change reporting where the registry states no heartbeat
GAPS = 5  # of a sender's last gaps the longest is its rhythm
KEPT_S = 1.0  # the fleet is looked through once a second at most, however many pages are open


def old_after_s(station: Station) -> int:
    """Age at which the newest reading is overdue [s]: one rhythm, and half of it or half a minute more."""
    rhythm_s = station.step_s
    if station.reporting == "on_change":
        rhythm_s = max(rhythm_s, station.heartbeat_s or UNSTATED_S)
    if station.averaged and station.stamped == "start":
        rhythm_s += station.step_s  # such a reading is one step old when it is sent
    return rhythm_s + max(GRACE_S, rhythm_s // 2)


@dataclass(frozen=True, slots=True)
class Heard:
    """Of how many stations the readings are fresh, overdue, or have never come; the newest of all [s]."""

    n_fresh: int
    n_old: int
    n_never: int
    last_s: int | None

    @property
    def is_silent(self) -> bool:
        """Whether nothing comes in that once did."""
        return self.n_old > 0 and self.n_fresh == 0


@dataclass(slots=True)
class Watch:
    """What one application remembers between two looks: the fleet, and how often each sender sends."""

    looked_s: float = -1.0
    heard: Heard | None = None
    gaps: dict[str, deque[int]] = field(default_factory=dict)
    last: dict[str, int] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def fleet(self, room: Room) -> Heard:
        """Which stations are heard."""
        now_s = room.clock()
        if self.heard is None or not 0 <= now_s - self.looked_s < KEPT_S:
            self.heard, self.looked_s = _heard(room, now_s), now_s
        return self.heard

    def silent_feeds(self, room: Room) -> list[tuple[str, str, int | None]]:
        """Feeds that are in trouble or send no more: name, why in words, and when it last sent [s].

        A sender's rhythm is not stated anywhere, so it is taken from what it sent while pages were open.
        Raises DatabaseError.
        """
        with room.database.reading() as session:
            rows = session.execute(
                select(FeedRow.source, FeedRow.state, FeedRow.last_error, FeedRow.last_ok_s)
            ).all()
        found = []
        with self.lock:
            for source, state, error, last_s in rows:
                if state in ("error", "waiting"):
                    found.append((source, error or "It does not answer.", last_s))
                elif last_s is not None and self._is_overdue(source, last_s, room.clock()):
                    found.append((source, "It sends nothing any more.", last_s))
        return found

    def _is_overdue(self, source: str, last_s: int, now_s: float) -> bool:
        before = self.last.get(source)
        self.last[source] = last_s
        gaps = self.gaps.setdefault(source, deque(maxlen=GAPS))
        if before is not None and last_s > before:
            gaps.append(last_s - before)
        return len(gaps) == GAPS and now_s - last_s > max(gaps) + FEED_GRACE_S


def watch_of(request: Request) -> Watch:
    """The watch of the request's application."""
    found: Watch | None = getattr(request.app.state, "watch", None)
    if found is None:
        found = request.app.state.watch = Watch()
    return found


def _heard(room: Room, now_s: float) -> Heard:
    stations = room.registry.stations
    seen = room.runner.last_seen()
    ages = [(name, now_s - at_s) for name, at_s in seen.items() if at_s is not None and name in stations]
    n_old = sum(age_s > old_after_s(stations[name]) for name, age_s in ages)
    last_s = max((at_s for at_s in seen.values() if at_s is not None), default=None)
    return Heard(len(ages) - n_old, n_old, len(seen) - len(ages), last_s)
