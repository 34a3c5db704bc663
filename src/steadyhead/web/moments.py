"""A time as the pages show it: at the station's clock, with its zone, and how long ago."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from steadyhead.web.words import ago_text, clock_text, short_clock_text


@dataclass(frozen=True, slots=True)
class Moment:
    """One time in all the forms a page needs.

    text : short, with the clock's name; full : with year and IANA zone; iso : RFC 3339 in UTC
    """

    epoch_s: int
    text: str
    full: str
    iso: str
    ago: str


def moment(epoch_s: float, time_zone: str, now_s: float) -> Moment:
    """The time on the clock of ``time_zone`` (IANA name)."""
    at_s = int(epoch_s)
    return Moment(
        epoch_s=at_s,
        text=short_clock_text(at_s, time_zone, now_s),
        full=f"{clock_text(at_s, time_zone)} ({time_zone})",
        iso=datetime.fromtimestamp(at_s, tz=UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        ago=ago_text(at_s, now_s),
    )


def perhaps(epoch_s: float | None, time_zone: str, now_s: float) -> Moment | None:
    """The same for a time that may be missing."""
    return None if epoch_s is None else moment(epoch_s, time_zone, now_s)


def local_input_text(epoch_s: float, time_zone: str) -> str:
    """As an ``<input type="datetime-local">`` wants it."""
    return datetime.fromtimestamp(epoch_s, tz=ZoneInfo(time_zone)).strftime("%Y-%m-%dT%H:%M")


def from_local_input(text: str, time_zone: str) -> int | None:
    """Epoch seconds of such an input on the station's clock; None if it is no time."""
    try:
        at = datetime.fromisoformat(text)
    except ValueError:
        return None
    return int(at.replace(tzinfo=at.tzinfo or ZoneInfo(time_zone)).timestamp())
