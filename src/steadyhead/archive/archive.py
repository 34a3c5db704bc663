"""What an archive of readings can do, whichever store is behind it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Protocol

from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.types import FloatArray, IntArray

BUCKET_S = 900
"""Length of the pieces that old readings are thinned to [s]."""
DAY_S = 86400

__all__ = ["BUCKET_S", "CHANNELS", "DAY_S", "Archive", "Buckets", "Keep", "Series2", "Thinned"]


@dataclass(frozen=True, slots=True)
class Keep:
    """How long readings are kept; alerts and the audit trail are not touched by it.

    full_days : as they came; thinned_days : as the least, mean and largest of 15 minutes. Both count back
    from now. What is older than both is deleted, by whole days and by whole months.
    """

    full_days: int = 400
    thinned_days: int = 3650


@dataclass(frozen=True, slots=True)
class Thinned:
    """What a thinning did: rows taken out as readings, 15-minute pieces made of them, old pieces deleted."""

    rows_removed: int
    pieces_made: int
    pieces_removed: int


@dataclass(frozen=True, slots=True)
class Buckets:
    """One channel in buckets, each shape (n,): least, mean and largest value; NaN where there is none."""

    low: FloatArray
    mean: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class Series2:
    """A station's readings for a plot, cut into buckets of one length.

    times_s : shape (n,), start of each bucket, seconds since 1970-01-01 UTC; bucket_s : their length [s]
    channels : by name of ``readings.frame.CHANNELS``
    is_thinned : whether any of it comes from 15-minute pieces because the full readings are gone
    """

    station: str
    times_s: IntArray
    bucket_s: int
    channels: dict[str, Buckets]
    is_thinned: bool


class Archive(Protocol):
    """Keeps the readings of all stations. All methods may be called from several threads.

    Every method raises ArchiveError, with what to do, if the store is gone, full or unreadable.
    """

    def append(self, readings: Readings) -> None:
        """Take in rows; they can be read at once, and are safe after ``flush``.

        Rows without any value are not kept. The same rows again change nothing; where a row differs from one
        that is there, the new values stand, and a missing one takes nothing back.
        """
        ...

    def flush(self, stations: Collection[str] | None = None) -> None:
        """Make what was appended of these stations (all if None) survive a power cut."""
        ...

    def read(self, station: str, from_s: int, to_s: int) -> Readings:
        """Full readings with times in [from_s, to_s) on the station's grid, NaN where nothing is.

        What was thinned counts as nothing here; ``series`` shows it.
        """
        ...

    def extent(self, station: str) -> tuple[int, int] | None:
        """Times of the first and the last full reading, or None."""
        ...

    def series(self, station: str, from_s: int, to_s: int, points: int) -> Series2:
        """At most ``points`` buckets that cover [from_s, to_s), from full readings or 15-minute pieces."""
        ...

    def thin(self, now_s: int) -> Thinned:
        """Bring what is kept in line with the policy; safe to break off at any moment."""
        ...

    def close(self) -> None:
        """Flush and let go of files and connections."""
        ...
