"""Whether the clock of a log can be right: people draw least water at night.

That holds for any district where people live (common practice, no source). It shows errors of about four
hours or more; a clock that is an hour or two off cannot be told from habits.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from steadyhead.config import Source, Station
from steadyhead.feeds.check.findings import Finding
from steadyhead.readings.frame import Readings
from steadyhead.types import FloatArray, IntArray

NIGHT_H = (22.5, 5.8)  # the middle of the hours of least demand lies here, by the station's clock
_LEAST_DAYS = 4
_CONTRAST = 0.3  # highest less lowest hour, as a share of the mean
_AGREE = 0.6  # of the days have their own minimum near the common one
_USUAL_H = 3.0


def judge_clock(
    rows: Readings, station: Station, source: Source | None, now_s: float, allowed_s: float
) -> tuple[list[Finding], list[str]]:
    """Findings on times in the future and on a minimum of demand by day; and what could not be judged.

    source : how the times were read, to say what to change; None for a feed that has no such block
    """
    unjudged: list[str] = []
    findings = list(_future(rows, station, now_s, allowed_s))
    by_hour = _by_day_and_hour(rows.flow_lps, rows.times_s, station.time_zone)
    if by_hour is None:
        unjudged.append("the clock: it takes a flow of at least four days to see when the nights are")
        return findings, unjudged
    middle_h = _least_hour(by_hour)
    if middle_h is None:
        unjudged.append("the clock: the flow has no hours of the day in which it is regularly least")
        return findings, unjudged
    if not (middle_h >= NIGHT_H[0] or middle_h <= NIGHT_H[1]):
        findings.append(_by_day(middle_h, rows, station, source))
    return findings, unjudged


def _future(rows: Readings, station: Station, now_s: float, allowed_s: float) -> Iterator[Finding]:
    is_known = ~(np.isnan(rows.inlet_kpa) & np.isnan(rows.outlet_kpa) & np.isnan(rows.flow_lps))
    ahead_s = rows.times_s[is_known] - rows.step_s - now_s
    n = int((ahead_s > allowed_s).sum())
    if n:
        yield Finding(
            "future", station.name, None, "",
            f"{n} rows lie ahead of this machine's clock, by up to {ahead_s.max() / 3600:.1f} h",
            "mend the time zone of the source, or set the clock of the sender",
        )  # fmt: skip


def _by_day_and_hour(flow: FloatArray, times_s: IntArray, zone: str) -> FloatArray | None:
    """Mean flow of each hour of each whole local day, shape (n_days, 24); None if there are too few days."""
    known = ~np.isnan(flow)
    if not known.any():
        return None
    local = pd.DatetimeIndex(times_s[known].astype("datetime64[s]"), tz="UTC").tz_convert(zone)
    table = pd.DataFrame({"flow": flow[known], "day": local.date, "hour": local.hour})
    means = table.pivot_table(index="day", columns="hour", values="flow", aggfunc="mean")
    whole = means.reindex(columns=range(24)).dropna()
    return None if len(whole) < _LEAST_DAYS else whole.to_numpy(np.float64)


def _least_hour(by_hour: FloatArray) -> float | None:
    """Middle of the hours in which the flow is least, 0 to 24; None if days do not agree on it."""
    usual = np.median(by_hour, axis=0)
    if np.ptp(_smooth(usual)) < _CONTRAST * max(float(np.abs(usual).mean()), 1e-9):
        return None
    middle_h = _middle_of_least(_smooth(usual))
    own = np.array([_middle_of_least(_smooth(day)) for day in by_hour])
    apart_h = np.abs((own - middle_h + 12.0) % 24.0 - 12.0)
    return middle_h if np.mean(apart_h <= 3.0) >= _AGREE else None


def _middle_of_least(smooth: FloatArray) -> float:
    """Circular mean of the hours that are within an eighth of the least."""
    is_least = smooth <= smooth.min() + np.ptp(smooth) / 8.0
    angle = 2.0 * np.pi * (np.arange(24) + 0.5) / 24.0
    return float(np.angle(np.exp(1j * angle[is_least]).sum()) / (2.0 * np.pi) * 24.0 % 24.0)


def _smooth(day: FloatArray) -> FloatArray:
    smooth: FloatArray = (np.roll(day, 1) + day + np.roll(day, -1)) / 3.0
    return smooth


def _by_day(middle_h: float, rows: Readings, station: Station, source: Source | None) -> Finding:
    offset_h = _offset_h(rows, station.time_zone)
    shift_h = (middle_h - _USUAL_H + 12.0) % 24.0 - 12.0
    zone = (source.time_zone if source is not None else None) or station.time_zone
    close = abs((shift_h + offset_h + 12.0) % 24.0 - 12.0) <= 2.5
    far = abs((shift_h - offset_h + 12.0) % 24.0 - 12.0) <= 2.5
    if close and abs(offset_h) >= 3.0 and zone == station.time_zone:
        do = "the times look like UTC: give the source time_zone: UTC"
    elif far and abs(offset_h) >= 3.0 and zone != station.time_zone:
        do = f"the times look like the station's own clock: remove time_zone: {zone} from the source"
    elif abs(abs(shift_h) - 12.0) <= 2.5:
        do = "if the log has AM and PM, its time_format must read them (%I ... %p)"
    else:
        do = (
            f"mend the time zone, which seems to be {abs(shift_h):.0f} h {'late' if shift_h > 0 else 'early'}"
        )
    clock = f"{int(middle_h):02d}:{int(middle_h % 1 * 60):02d}"
    return Finding(
        "clock", station.name, "flow", station.tags["flow"].tag,
        f"the flow is least about {clock} by the clock of {station.time_zone}, not at night", do,
    )  # fmt: skip


def _offset_h(rows: Readings, zone: str) -> float:
    middle_s = (rows.start_s + rows.end_s) // 2
    at = pd.Timestamp(middle_s, unit="s", tz="UTC").tz_convert(ZoneInfo(zone))
    offset = at.utcoffset()
    return math.nan if offset is None else offset.total_seconds() / 3600.0
