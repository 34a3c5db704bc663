"""When a service writes its report by itself."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from steadyhead.weekly.material import usual_zone
from steadyhead.weekly.opening import RoomLike, write_week
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import JSON, Written

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")


def due_week(now_s: float, time_zone: str, settings: ReportSettings) -> Week:
    """The newest week whose report should be there: last week from day and hour on, else the one before."""
    now = datetime.fromtimestamp(now_s, tz=ZoneInfo(time_zone))
    this = Week.of(now_s, time_zone)
    opens = datetime.combine(
        this.monday + timedelta(days=DAYS.index(settings.day)), datetime.min.time(), tzinfo=now.tzinfo
    ) + timedelta(hours=settings.hour)
    return this.shifted(-1 if now >= opens else -2)


def write_if_due(room: RoomLike, now_s: float, settings: ReportSettings, folder: Path) -> Written | None:
    """Write the report of the week that is due, unless it is there; None if nothing was to do.

    Safe to call as often as one likes: a report that is there is not made again.
    """
    if not settings.is_made:
        return None
    week = due_week(now_s, usual_zone(room.registry, list(room.registry.stations)), settings)
    if (folder / str(week) / JSON).exists():
        return None
    return write_week(room, week, folder, settings)
