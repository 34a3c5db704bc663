"""Time that a step of the wall clock cannot disturb.

Two questions are kept apart. *How long have we listened?* is answered by the monotonic clock alone; what
closes rows and what calls a station silent rests on it. *What time is it?* matters only for bounds: which
time is in the future, and whether a station's readings are of today. For them there are two answers after
somebody has set the clock, and each use takes the harmless one.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment as the journal keeps it.

    listened_s : seconds of listening since the data folder was made, over all runs; never falls
    latest_s, earliest_s : the wall clock, and what it would be had nobody set it since the start: the later
    and the earlier of the two, seconds since 1970-01-01 UTC
    """

    listened_s: float
    latest_s: float
    earliest_s: float


class Clock:
    """Tells moments.

    wall : seconds since 1970-01-01 UTC, may be set by anybody; steady : seconds since any moment, never set
    listened_s : what earlier runs have listened
    """

    def __init__(
        self,
        wall: Callable[[], float] = time.time,
        steady: Callable[[], float] = time.monotonic,
        listened_s: float = 0.0,
    ) -> None:
        self._wall = wall
        self._steady = steady
        self._listened_before_s = listened_s
        self._steady_at_start = steady()
        self._wall_at_start = wall()

    def resume(self, listened_s: float) -> None:
        """Count on from what earlier runs have listened."""
        self._listened_before_s = listened_s - (self._steady() - self._steady_at_start)

    def another(self) -> Clock:
        """A clock on the same two clocks that has listened to nothing yet."""
        return Clock(self._wall, self._steady)

    def now(self) -> Moment:
        """The moment it is now."""
        run_s = self._steady() - self._steady_at_start
        wall_s, kept_s = self._wall(), self._wall_at_start + run_s
        return Moment(self._listened_before_s + run_s, max(wall_s, kept_s), min(wall_s, kept_s))

    def wall_s(self) -> float:
        """The wall clock, for what people read."""
        return self._wall()

    def off_s(self) -> float:
        """How far the wall clock has been set since the start [s]."""
        return self._wall() - (self._wall_at_start + self._steady() - self._steady_at_start)
