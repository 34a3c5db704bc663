"""From a station's readings to its week: look once, cut into weeks, judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular
from steadyhead.service import BAND_SPREADS
from steadyhead.weekly.alert_lines import as_of, episode
from steadyhead.weekly.figures import Values, figures_of, values_of
from steadyhead.weekly.look import NO_PROFILE, Look, look_at
from steadyhead.weekly.material import Material, needed_from_s
from steadyhead.weekly.model import Figure, Forecast, Repair, StationWeek, Trend, Value
from steadyhead.weekly.trend import Daily, daily_levels, fit_trend, forecast
from steadyhead.weekly.week import BEFORE, Week

STEPS = ("set_changed",)  # conditions after which the level is another one and a trend begins anew
COUNTED = ("completeness", "hunting_hours", "sigma_hours", "alerts_raised")
OUT = "the station is out of service"
SOON_DAYS = 28.0
CLEAR = 1.5  # of the least change, from which a worse figure alone asks for a page (our own)


@dataclass(frozen=True, slots=True)
class Judged:
    """A station's week, and what its pictures are drawn from; ``look`` is None without any reading."""

    week: StationWeek
    look: Look | None
    this: Look | None
    daily: Daily | None


def judge(material: Material, week: Week, sigma_limit: float, *, has_desk: bool) -> Judged:
    """Figures, trend, forecast and alerts of one station.

    sigma_limit : where the registry gives the valve none of its own
    """
    station, profile = material.station, material.profile
    sigma_limit = station.valve.sigma_limit or sigma_limit
    zone = station.time_zone
    from_s, to_s = week.bounds_s(zone)
    lines = tuple(as_of(line, to_s) for line in material.alerts if line.raised_s < to_s)
    readings = material.readings
    if readings is None:
        step_s = station.step_s
        readings = regular(station.name, -(-from_s // step_s) * step_s, step_s, np.zeros(0))
    look = look_at(readings, station, profile, to_s)
    episodes = [episode(line) for line in lines]
    weeks = [look.between(*week.shifted(-n).bounds_s(zone)) for n in range(BEFORE, -1, -1)]
    values = [
        _whole_only(values_of(part, episodes, sigma_limit, has_desk=has_desk), part, look, week_no)
        if np.isfinite(part.readings.outlet_kpa).any() or part is weeks[-1]
        else None
        for week_no, part in enumerate(weeks)
    ]
    this = values[-1]
    assert this is not None
    is_out = material.outage is not None
    figures = figures_of(this, values[:-1], profile, is_judged=not is_out)
    if any(line.stands for line in lines):  # what looks better is as likely a part of the trouble
        figures = tuple(replace(f, change="alike") if f.change == "better" else f for f in figures)
    daily = daily_levels(look, _days(week, zone))
    trend, ahead = _course(daily, profile, material, figures, to_s, is_out=is_out)
    found = StationWeek(
        station=station.name,
        time_zone=zone,
        zone=station.zone,
        figures=figures,
        trend=trend,
        forecast=ahead,
        alerts=tuple(line for line in lines if line.ended_s is None or line.ended_s >= from_s),
        repairs=material.repairs,
        outage=material.outage,
        withheld={} if profile is None else dict(profile.withheld),
        remarks=() if profile is None else profile.remarks,
        why_not=_why_not(material, weeks[-1]),
        set_kpa=None if profile is None else profile.set_pressure.typical_kpa,
        band_kpa=None if profile is None else band_half_kpa(profile),
        has_flow="flow" in station.tags,
        sigma_limit=sigma_limit,
        by_key={figure.key: figure for figure in figures},
    )
    return Judged(found, look, weeks[-1], daily)


def _whole_only(values: Values, part: Look, look: Look, week_no: int) -> Values:
    """A week before in which the record began has no counts and hours to compare with."""
    if week_no == BEFORE or look.readings.start_s < part.from_s + part.readings.step_s:
        return values
    return values | dict.fromkeys(COUNTED, Value(None, "the record begins within the week"))


def band_half_kpa(profile: Profile) -> float:
    """Half width of the learned band, as ``service.band`` draws it."""
    wide = BAND_SPREADS * profile.scatter.tick_kpa
    return max(wide, profile.thresholds.enter_share * profile.set_pressure.typical_kpa)


def needs_page(found: StationWeek, severities: Sequence[float], from_s: int) -> bool:
    """Whether there is something on the station that a person should look at in full.

    severities : of its figures that got worse, in least changes; from_s : begin of the week
    """
    if found.outage is not None or found.why_not is not None:
        return False
    if any(line.stands or line.raised_s >= from_s for line in found.alerts):
        return True
    if any(repair.repaired_s >= from_s for repair in found.repairs):
        return True
    soon = found.forecast.days is not None and found.forecast.days <= SOON_DAYS
    return soon or any(severity >= CLEAR for severity in severities)


def _days(week: Week, time_zone: str) -> list[tuple[int, int]]:
    return [day for n in range(BEFORE, -1, -1) for day in week.shifted(-n).days_s(time_zone)]


def _course(
    daily: Daily,
    profile: Profile | None,
    material: Material,
    figures: tuple[Figure, ...],
    to_s: int,
    *,
    is_out: bool,
) -> tuple[Trend, Forecast]:
    """Trend and forecast, from the last step of the level on."""
    if profile is None or is_out:
        why = OUT if is_out else NO_PROFILE
        return Trend(at_s=to_s, why_not=why), Forecast(why_not=why)
    since_s = max(
        [
            needed_from_s_of(material, to_s),
            *(line.raised_s for line in material.alerts if line.alert.condition in STEPS),
            *(repair.repaired_s for repair in material.repairs if repair.repaired_s < to_s),
        ]
    )
    trend = fit_trend(daily, since_s, to_s)
    level = next(figure.value for figure in figures if figure.key == "level")
    return trend, forecast(trend, band_half_kpa(profile), level)


def needed_from_s_of(material: Material, to_s: int) -> int:
    """Where the readings begin, or the end if there are none."""
    return to_s if material.readings is None else material.readings.start_s


def _why_not(material: Material, this: Look) -> str | None:
    if material.outage is not None:
        return OUT
    if not np.isfinite(this.readings.outlet_kpa).any():
        return "there are no readings of the outlet in the week"
    if material.profile is None:
        return NO_PROFILE
    return None


def trimmed(readings: Readings, week: Week, time_zone: str) -> Readings:
    """What is needed of a station's readings."""
    return readings.between(needed_from_s(week, time_zone), week.bounds_s(time_zone)[1])


def repairs_of(repairs: Sequence[Repair], week: Week, time_zone: str) -> tuple[Repair, ...]:
    """Those of the five weeks, oldest first."""
    from_s, to_s = week.shifted(-BEFORE).bounds_s(time_zone)[0], week.bounds_s(time_zone)[1]
    return tuple(sorted((r for r in repairs if from_s <= r.repaired_s < to_s), key=lambda r: r.repaired_s))
