"""When a service writes its report by itself."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def due_week(now_s: float, time_zone: str, settings: ReportSettings) -> Week:
    """The newest week whose report should be there: last week from day and hour on, else the one before."""
    now = datetime.fromtimestamp(now_s, tz=ZoneInfo(time_zone))
    this = Week.of(now_s, time_zone)
    opens = datetime.combine(
        this.monday + timedelta(days=DAYS.index(settings.day)), datetime.min.time(), tzinfo=now.tzinfo
    ) + timedelta(hours=settings.hour)
    return this.shifted(-1 if now >= opens else -2)
