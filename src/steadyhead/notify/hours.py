"""Hours of the week on a local clock, over midnight and through clock changes.

A clock time means its first occurrence of the day: where clocks go back, 01:30 is the earlier of the two;
where they go forward, a time that the clock never shows is the moment of the jump. Two windows that meet on
the clock therefore meet in UTC as well, without a gap and without an overlap.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from pydantic import Field

from steadyhead.config.fields import DAYS, ClockTime, Days, TimeZone
from steadyhead.config.source import Part


class Hours(Part):
    """A window that opens on each of ``days`` at ``from`` and closes at ``to``, the next day if need be.

    days : the days on which it opens; "fri 22:00 to 06:00" closes on Saturday morning
    from, to : clock times; if they are the same the window lasts a whole day
    time_zone : whose clock; that of the settings if left out
    """

    days: Days = DAYS
    from_time: ClockTime = Field(default="00:00", alias="from")
    to_time: ClockTime = Field(default="00:00", alias="to")
    time_zone: TimeZone | None = None


def end_of_window_s(hours: Hours, at_s: float, time_zone: str) -> int | None:
    """When the window that is open at a moment closes, in epoch seconds; None if it is not open then.

    at_s : epoch seconds
    time_zone : whose clock, where ``hours`` does not say
    Where one window follows another without a gap, this is the end of the last of them: a window of whole
    days from Saturday to Sunday ends on Monday. None is also the answer for a window that never closes.
    """
    end_s = _closes_s(hours, at_s, time_zone)
    for _ in range(len(DAYS)):
        further_s = None if end_s is None else _closes_s(hours, end_s, time_zone)
        if further_s is None:
            return end_s
        end_s = further_s
    return None


def is_open(hours: Hours, at_s: float, time_zone: str) -> bool:
    """Whether the window is open at a moment (epoch seconds); the end itself is outside."""
    return _closes_s(hours, at_s, time_zone) is not None


def clock_time_s(day: date, clock: str, zone: ZoneInfo) -> int:
    """Epoch seconds of the first moment of a day at which its clock shows ``HH:MM`` or has passed it."""
    wall = datetime.combine(day, time(int(clock[:2]), int(clock[3:])))
    first_s, second_s = (_epoch_s(wall.replace(fold=fold, tzinfo=zone)) for fold in (0, 1))
    if second_s >= first_s:  # shown once, or twice: the first of them
        return first_s
    # Never shown. With fold 0 the offset before the jump is used, so the jump lies between the two.
    early_s, late_s = second_s, first_s
    before = datetime.fromtimestamp(early_s, tz=zone).utcoffset()
    while late_s - early_s > 1:
        middle_s = (early_s + late_s) // 2
        if datetime.fromtimestamp(middle_s, tz=zone).utcoffset() == before:
            early_s = middle_s
        else:
            late_s = middle_s
    return late_s


def _closes_s(hours: Hours, at_s: float, time_zone: str) -> int | None:
    """End of the window that opened on this or the day before; None if neither is open."""
    zone = ZoneInfo(hours.time_zone or time_zone)
    today = datetime.fromtimestamp(at_s, tz=zone).date()
    goes_over_midnight = hours.to_time <= hours.from_time  # "HH:MM" compares as it reads
    for day in (today, today - timedelta(days=1)):
        if DAYS[day.weekday()] in hours.days:
            last = day + timedelta(days=1) if goes_over_midnight else day
            opens_s = clock_time_s(day, hours.from_time, zone)
            closes_s = clock_time_s(last, hours.to_time, zone)
            if opens_s <= at_s < closes_s:
                return closes_s
    return None


def _epoch_s(at: datetime) -> int:
    return int(at.astimezone(UTC).timestamp())
