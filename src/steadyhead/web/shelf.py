"""Until when an alert may be put aside: for a while, until a time of day, until the end of the shift."""

from __future__ import annotations

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

HOUR_S, DAY_S = 3600, 86_400
SHELVE_TIMES = (
    (HOUR_S, "1 hour from now"),
    (4 * HOUR_S, "4 hours from now"),
    (12 * HOUR_S, "12 hours from now"),
    (DAY_S, "1 day from now"),
    (3 * DAY_S, "3 days from now"),
    (7 * DAY_S, "7 days from now"),
)
SHIFT_ENDS = (time(6), time(14), time(22))
"""Three shifts of eight hours, at the station's clock: common practice, no source."""
SHIFT, CLOCK = "shift", "clock"


def shelve_times() -> list[tuple[str, str]]:
    """What the form offers, value and words."""
    ends = ", ".join(f"{end:%H:%M}" for end in SHIFT_ENDS)
    return [
        (SHIFT, f"the end of the shift ({ends})"),
        (CLOCK, "the time given beside"),
        *((str(seconds), words) for seconds, words in SHELVE_TIMES),
    ]


def until_of(choice: str, clock: str, time_zone: str, now_s: float) -> int | str:
    """When the shelving ends [s], or in words why it cannot be told from what was chosen.

    clock : a time of day at the station such as "14:30", the next one after now; used where choice is CLOCK
    """
    if choice == SHIFT:
        return min(_next(end, time_zone, now_s) for end in SHIFT_ENDS)
    if choice == CLOCK:
        try:
            return _next(time.fromisoformat(clock.strip()), time_zone, now_s)
        except ValueError:
            said = f'"{clock}" is no time of day' if clock.strip() else "no time of day was given"
            return f"{said}; give one such as 14:30, or choose one of the spans"
    if choice.isdecimal() and 0 < int(choice) <= 7 * DAY_S:
        return int(now_s) + int(choice)
    return "it was not said until when; choose one of the spans, a week at most"


def _next(at: time, time_zone: str, now_s: float) -> int:
    """The first such time of day after now."""
    zone = ZoneInfo(time_zone)
    today = datetime.fromtimestamp(now_s, tz=zone).date()
    days = (datetime.combine(today + timedelta(days=n), at.replace(tzinfo=None), zone) for n in (0, 1, 2))
    return next(int(day.timestamp()) for day in days if day.timestamp() > now_s)
