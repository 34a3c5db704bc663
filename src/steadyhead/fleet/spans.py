"""The span of time that is asked for, on each station's own clock."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from steadyhead.config.model import Station
from steadyhead.diagnosis.phrases import local_time
from steadyhead.errors import FeedError
from steadyhead.readings.frame import Readings

Bounds = tuple[int | None, int | None]
"""From and to, seconds since 1970-01-01 UTC; None where open."""


@dataclass(frozen=True, slots=True)
class Asked:
    """A span as a person gave it: times that carry no offset are on the clock of each station.

    learns : what is open is then taken from the station's own span to learn from
    """

    from_at: datetime | None = None
    to_at: datetime | None = None
    learns: bool = False

    def bounds_s(self, station: Station) -> Bounds:
        """The span for a station."""
        declared = station.learning_span_s() if self.learns and not self.is_given else (None, None)
        from_s, to_s = (seconds_at(at, station.time_zone) for at in (self.from_at, self.to_at))
        return (declared[0] if from_s is None else from_s, declared[1] if to_s is None else to_s)

    @property
    def is_given(self) -> bool:
        """Whether a person gave any of it."""
        return self.from_at is not None or self.to_at is not None

    def where(self, station: Station) -> str:
        """Where the span was said, for messages."""
        if self.is_given:
            return "that of --from and --to"
        is_declared = self.learns and station.learning_span_s() != (None, None)
        return "that under learn in the registry" if is_declared else "the whole log"

    def cut(self, readings: Readings, station: Station) -> Readings:
        """The readings of the span. Raises FeedError if there are none in it."""
        return span_of(readings, *self.bounds_s(station), station.time_zone)


def seconds_at(at: datetime | None, time_zone: str) -> int | None:
    """Seconds since 1970 UTC of a time that may be on the station's clock; None stays None."""
    if at is None:
        return None
    aware = at if at.tzinfo is not None else at.replace(tzinfo=ZoneInfo(time_zone))
    return int(aware.astimezone(UTC).timestamp())


def span_of(readings: Readings, from_s: int | None, to_s: int | None, time_zone: str) -> Readings:
    """The readings of a span; to their own ends where None. Raises FeedError if there are none in it."""
    span = readings.between(
        readings.start_s if from_s is None else from_s, readings.end_s if to_s is None else to_s
    )
    if not len(span):
        first, last = (local_time(at, time_zone) for at in (readings.start_s, readings.end_s))
        raise FeedError(
            f"{readings.station}: no reading lies in the span asked for, the log goes from {first} to {last} "
            f"({time_zone}); give another span"
        )
    return span
