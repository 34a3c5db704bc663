"""Times under a plot: ticks at round hours or days of the station's clock, and the days shown in words."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pandas as pd

DAY_S = 86_400
MOST_TICKS = 7
STEPS_S = (
    1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10_800, 21_600, 43_200,
    *(days * DAY_S for days in (1, 2, 4, 7, 14, 28, 56, 112, 364, 728)),
)  # fmt: skip


def ticks(from_s: float, to_s: float, zone: ZoneInfo) -> list[tuple[float, str]]:
    """Seconds since 1970 UTC and text of each tick: "27 Oct" at midnight, "06:00" within a day.

    At most MOST_TICKS, at equal steps of the local clock, so that days begin at midnight whatever the clock
    does; a tick in the hour that a clock skips or runs through twice is left out.
    """
    first, last = (pd.Timestamp(at, unit="s", tz=zone).tz_localize(None) for at in (from_s, to_s))
    step_s = next((s for s in STEPS_S if (to_s - from_s) / s < MOST_TICKS), STEPS_S[-1])
    begin = first.normalize() if step_s >= DAY_S else first.floor(f"{step_s}s")
    local = pd.date_range(begin, last, freq=pd.Timedelta(seconds=step_s))
    placed = local.tz_localize(zone, ambiguous="NaT", nonexistent="NaT").dropna()
    at_s = placed.as_unit("ns").asi8 / 1e9
    return [
        (float(s), _text(at))
        for s, at in zip(at_s, placed.to_pydatetime(), strict=True)
        if from_s <= s <= to_s
    ]


def _text(at: datetime) -> str:
    if (at.hour, at.minute, at.second) == (0, 0, 0):
        return at.strftime("%d %b")
    return at.strftime("%H:%M:%S" if at.second else "%H:%M")


def span_text(from_s: float, to_s: float, zone: ZoneInfo) -> str:
    """The days shown, on the station's clock: "26 to 30 October 2025"."""
    first, last = (datetime.fromtimestamp(at, tz=zone) for at in (from_s, to_s))
    end = f"{last.day} {last.strftime('%B %Y')}"
    if first.date() == last.date():
        return end
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day} to {end}"
    return f"{first.day} {first.strftime('%B' if first.year == last.year else '%B %Y')} to {end}"
