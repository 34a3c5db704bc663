"""Sources that can be asked for a span of time: read window by window, each window whole or not at all.

The position is the end of the last window that was kept, so an interrupted backfill goes on at a clean cut.
Live, each look goes back a little, because stores fill in late; what was taken already is known by name and
time and left out, also after a restart.
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np

from steadyhead.feeds.connector import NO_POINTS, Bit, Points, Position

FIRST_WINDOW_S = 3600
LONGEST_WINDOW_S = 7 * 86400
MANY, FEW = 100_000, 20_000  # readings in a window above and below which it is made shorter and longer
MOST_RECENT = 50_000
PROBES_DAYS = (7, 21, 60, 180, 365)


class Polled(ABC):
    """Base of connectors that read spans.

    poll_s : time between looks; look_back_s : how far each look goes back for what came late
    """

    def __init__(self, poll_s: float, look_back_s: int, now_s: Callable[[], float] = time.time) -> None:
        self._poll_s, self._look_back_s, self._now_s = poll_s, look_back_s, now_s
        self._window_s = FIRST_WINDOW_S

    @abstractmethod
    def describe(self) -> str:
        """See ``connector.Connector``."""

    @abstractmethod
    def fetch(self, from_us: int, to_us: int) -> Points:
        """All readings of [from_us, to_us). Raises FeedError."""

    def close(self) -> None:  # noqa: B027 - nothing to let go of is usual
        """See ``connector.Connector``."""

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``; reaches back further if there is nothing."""
        now_us = round(self._now_s() * 1e6)
        return self.fetch(now_us - round(seconds * 1e6), now_us + 86_400_000_000)

    def reach_days(self) -> int | None:
        """See ``connector.Connector``: looks at single hours, farther back each time, until one is empty."""
        now_s, found = int(self._now_s()), 0
        for days in PROBES_DAYS:
            from_us = (now_s - days * 86_400) * 1_000_000
            if not any(len(self.fetch(from_us, from_us + hours * 3_600_000_000)) for hours in (1, 6)):
                break
            found = days
        return found

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        at_us = max(from_s * 1_000_000, int((resume or {}).get("through_us", 0)))
        end_us = to_s * 1_000_000
        while at_us < end_us:
            to_us = min(at_us + self._window_s * 1_000_000, end_us)
            points = self._once_each(self.fetch(at_us, to_us), at_us, to_us)
            self._fit_window(len(points))
            at_us = to_us
            yield Bit(points, self._position(points, to_us, {}))

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        position = dict(resume or {"through_us": round(self._now_s() * 1e6)})
        while not stop.is_set():
            through_us = int(position["through_us"])
            now_us = round(self._now_s() * 1e6)
            # a source of old readings, or one that was not read for long, is read in windows here too
            to_us = min(now_us + self._look_back_s * 1_000_000, through_us + self._window_s * 1_000_000)
            from_us = through_us - self._look_back_s * 1_000_000
            points = self._once_each(self.fetch(from_us, to_us), from_us, to_us)
            fresh = without_recent(points, position.get("recent", {}))
            new_us = min(max(through_us, now_us), to_us)
            is_behind = to_us < now_us
            if len(fresh) or is_behind:
                self._fit_window(len(fresh))
                position = self._position(points, new_us, position.get("recent", {}))
                yield Bit(fresh, position)
            elif new_us - through_us > 10 * self._look_back_s * 1_000_000:
                position = self._position(points, new_us, position.get("recent", {}))
                yield Bit(NO_POINTS, position)
            else:
                position = {**position, "through_us": new_us}
            if not is_behind:
                stop.wait(self._poll_s)

    # ------------------------------------------------------------ inner

    def _fit_window(self, n: int) -> None:
        if n > MANY:
            self._window_s = max(60, self._window_s // 2)
        elif n < FEW:
            self._window_s = min(LONGEST_WINDOW_S, self._window_s * 2)

    def _once_each(self, points: Points, from_us: int, to_us: int) -> Points:
        """Each tag and time once, the last one said, in order of time; none outside of the window."""
        keep = np.flatnonzero((points.us >= from_us) & (points.us < to_us))
        order = keep[np.lexsort((keep, points.which[keep], points.us[keep]))]
        which, us = points.which[order], points.us[order]
        is_last = np.ones(len(order), np.bool_)
        if len(order) > 1:
            is_last[:-1] = (which[:-1] != which[1:]) | (us[:-1] != us[1:])
        return points.only(order[is_last])

    def _position(self, points: Points, through_us: int, before: dict[str, Any]) -> dict[str, Any]:
        """The end of what was read, and what was read of the stretch that will be looked at again."""
        since_us = through_us - self._look_back_s * 1_000_000
        recent: dict[str, list[int]] = {}
        at = np.flatnonzero(points.us >= since_us)[-MOST_RECENT:]
        for number, us in zip(points.which[at].tolist(), points.us[at].tolist(), strict=True):
            recent.setdefault(points.tags[number], []).append(us)
        for tag, times in before.items():
            kept = [us for us in times if us >= since_us]
            if kept:
                recent[tag] = sorted({*recent.get(tag, ()), *kept})
        return {"through_us": through_us, "recent": recent}


def without_recent(points: Points, recent: dict[str, list[int]]) -> Points:
    """Those whose tag and time are not among the recent ones."""
    if not len(points) or not recent:
        return points
    keep = np.ones(len(points), np.bool_)
    for number, tag in enumerate(points.tags):
        if tag in recent:
            mine = points.which == number
            keep[mine] = ~np.isin(points.us[mine], recent[tag])
    return points.only(keep)
