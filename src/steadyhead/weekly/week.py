"""A calendar week by ISO 8601, on the clock of a station: it may have 167 or 169 hours."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from steadyhead.errors import ReportError

DAYS = 7
BEFORE = 4
"""Weeks that a week is compared with."""

FIRST_YEAR, LAST_YEAR = 1980, 2199  # telemetry is not older, and nothing runs over the end of the calendar
_WRITTEN = re.compile(r"(\d{4})-?W(\d{1,2})\Z", re.IGNORECASE)


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """An ISO week: it begins on Monday at 00:00, and week 1 holds the year's first Thursday."""

    year: int
    number: int

    @classmethod
    def parse(cls, text: str) -> Week:
        """The week written as 2025-W44. Raises ReportError if there is no such week."""
        found = _WRITTEN.match(text.strip())
        if found is None:
            raise ReportError(f'"{text}" is not a week; write year and ISO week, such as 2025-W44')
        year, number = int(found[1]), int(found[2])
        if not FIRST_YEAR <= year <= LAST_YEAR:
            raise ReportError(f'"{text}": give a year from {FIRST_YEAR} to {LAST_YEAR}')
        try:
            date.fromisocalendar(year, number, 1)
        except ValueError as exc:
            raise ReportError(
                f'"{text}" is not a week: {year} has no ISO week {number}; give a week from 01 to 52, or 53 '
                "in a long year"
            ) from exc
        return cls(year, number)

    @classmethod
    def of(cls, time_s: float, time_zone: str) -> Week:
        """The week in which a time lies on that clock."""
        calendar = datetime.fromtimestamp(time_s, tz=ZoneInfo(time_zone)).isocalendar()
        return cls(calendar.year, calendar.week)

    def __str__(self) -> str:
        return f"{self.year}-W{self.number:02d}"

    @property
    def monday(self) -> date:
        """Its first day."""
        return date.fromisocalendar(self.year, self.number, 1)

    def shifted(self, weeks: int) -> Week:
        """The week so many later (or earlier, below zero)."""
        calendar = (self.monday + timedelta(weeks=weeks)).isocalendar()
        return Week(calendar.year, calendar.week)

    def bounds_s(self, time_zone: str) -> tuple[int, int]:
        """Its first second and the first one after it, seconds since 1970-01-01 UTC."""
        days = self.days_s(time_zone)
        return days[0][0], days[-1][1]

    def days_s(self, time_zone: str) -> list[tuple[int, int]]:
        """First second of each day and of the day after it; a day may have 23 to 25 hours."""
        zone = ZoneInfo(time_zone)
        midnights = [
            datetime.combine(self.monday + timedelta(days=n), datetime.min.time(), tzinfo=zone)
            for n in range(DAYS + 1)
        ]
        at_s = [int(midnight.timestamp()) for midnight in midnights]
        return list(pairwise(at_s))
