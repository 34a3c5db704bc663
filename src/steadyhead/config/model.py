"""What a utility declares about its stations: frozen models, checked as they are made."""

from __future__ import annotations

import re
import zoneinfo
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from steadyhead import units
from steadyhead.config.fields import ClockTime, Days, Kpa, KvM3h, Lps, Number, SizeMm, TimeZone, UnitName
from steadyhead.config.marked_yaml import Keys
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import ROLES, Part, Quality, Role, Source

__all__ = [
    "ROLES",
    "LearnSpan",
    "Part",
    "Pilot",
    "Quality",
    "Registry",
    "Role",
    "ScheduleStep",
    "SetPressure",
    "Settings",
    "Source",
    "Station",
    "Tag",
    "Valve",
]

STATION_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}\Z")
QUANTITY: dict[Role, units.Quantity] = {
    "inlet": "pressure",
    "outlet": "pressure",
    "flow": "flow",
    "command": "pressure",
}


class Tag(Part):
    """One measured or commanded value of a station.

    tag : its name in the log; ``{station}`` stands for the station's name
    unit : unit of the logged number after scale and offset
    scale, offset : value = logged number * scale + offset
    deadband : least change that is reported, in ``unit``
    low, high : range of the transmitter, in ``unit``; values outside are refused
    """

    tag: str = Field(min_length=1)
    unit: UnitName
    scale: Number = 1.0
    offset: Number = 0.0
    deadband: Annotated[Number, Field(ge=0)] | None = None
    low: Number | None = None
    high: Number | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Tag:
        if self.scale == 0:
            raise ModelError([(("scale",), "is 0, which makes every value the same; use the true factor")])
        if self.low is not None and self.high is not None and self.low >= self.high:
            raise ModelError([(("low",), f"{self.low:g} is not below high, {self.high:g}; mend them")])
        return self

    @property
    def factor(self) -> float:
        """KPa or L/s in one declared unit."""
        return units.find_unit(self.unit).factor


class Valve(Part):
    """The main valve. The minimum differential of 70 kPa is common practice, no source.

    sigma_limit : cavitation index (ISA-RP75.23) below which its maker or a test says that it is harmed
    """

    size_mm: SizeMm | None = None
    rated_kv_m3h: KvM3h | None = None
    min_differential_kpa: Annotated[Kpa, Field(ge=0)] = 70.0
    has_low_flow_bypass: bool = False
    sigma_limit: Annotated[Number, Field(gt=1.0, le=50)] | None = None


class Pilot(Part):
    """The pilot's spring: what it can be set to and what one turn of its screw changes."""

    range_low_kpa: Kpa | None = None
    range_high_kpa: Kpa | None = None
    change_per_turn_kpa: Annotated[Kpa, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Pilot:
        low, high = self.range_low_kpa, self.range_high_kpa
        if low is not None and high is not None and low >= high:
            text = f"{low:g} kPa is not below range_high_kpa, {high:g} kPa; swap or mend them"
            raise ModelError([(("range_low_kpa",), text)])
        return self


class ScheduleStep(Part):
    """From this time of day on these days (station's zone) the set pressure is ``kpa``."""

    days: Days = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
    from_time: ClockTime = Field(alias="from")
    kpa: Kpa


class SetPressure(Part):
    """The wanted outlet pressure: one figure, a weekly schedule, or unknown (then it is learned).

    trusted : the station is judged from it even where it held another pressure while it was learned
    """

    nominal_kpa: Kpa | None = None
    schedule: tuple[ScheduleStep, ...] = ()
    trusted: bool = False

    @model_validator(mode="after")
    def _fits_together(self) -> SetPressure:
        if self.trusted and self.nominal_kpa is None and not self.schedule:
            text = "is true, but there is no nominal_kpa or schedule to trust; add one, or remove it"
            raise ModelError([(("trusted",), text)])
        return self


class LearnSpan(Part):
    """The span to learn from. A time without an offset is in the station's zone; inside it is UTC."""

    from_at: datetime | None = Field(default=None, alias="from")
    to_at: datetime | None = Field(default=None, alias="to")


class Station(Part):
    """One pressure-reducing valve station and its logs.

    step_s : declared sampling; for on-change reporting the grid on which values are held
    heartbeat_s : longest silence that still means "unchanged" (on-change reporting)
    averaged : logged values are means over the step, not samples
    stamped : whether a mean's time is the end or the start of its interval
    jitter_s : how much later than the grid a stamp may be and still count for that row
    """

    name: str
    zone: str | None = None
    time_zone: TimeZone
    step_s: Annotated[int, Field(ge=1, le=3600)]
    reporting: Literal["sampled", "on_change"] = "sampled"
    heartbeat_s: Annotated[int, Field(ge=1)] | None = None
    averaged: bool = False
    stamped: Literal["end", "start"] = "end"
    jitter_s: Annotated[Number, Field(ge=0)] = 0.0
    tags: dict[Role, Tag]
    valve: Valve = Valve()
    pilot: Pilot | None = None
    meter_cutoff_lps: Annotated[Lps, Field(ge=0)] | None = None
    set_pressure: SetPressure = SetPressure()
    sources: tuple[Source, ...]
    learn: LearnSpan | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> Station:
        found = [*_tag_mistakes(self), *_time_mistakes(self)]
        if not STATION_NAME.match(self.name):
            found.append(
                (
                    (),
                    f'"{self.name}" cannot name a station; use letters, digits, "_", "-", "."',
                )
            )
        if found:
            raise ModelError(found)
        return self

    @model_validator(mode="before")
    @classmethod
    def _learn_in_utc(cls, data: Any) -> Any:
        """Place the learning span's local times, which only the station's zone can do."""
        if not isinstance(data, dict) or not isinstance(data.get("learn"), dict):
            return data
        span = {k: _placed(v, data.get("time_zone")) for k, v in data["learn"].items()}
        return {**data, "learn": span}

    def learning_span_s(self) -> tuple[int | None, int | None]:
        """Start and end of the span to learn from, seconds since 1970 UTC; None where open."""
        span = self.learn or LearnSpan()
        return tuple(None if at is None else int(at.timestamp()) for at in (span.from_at, span.to_at))  # type: ignore[return-value]


class Settings(Part):
    """Settings that hold for the whole utility."""

    false_alerts_per_station_year: Annotated[Number, Field(gt=0, le=1000)] = 1.0
    display_units: Literal["kpa_lps", "psi_gpm", "bar_m3h", "m_lps"] = "kpa_lps"

    @property
    def units(self) -> units.UnitSystem:
        """The unit system people see."""
        return units.UNIT_SYSTEMS[self.display_units]


class Registry(Part):
    """All stations of a utility.

    log_root : folder to which the sources' paths are relative
    """

    utility: str = "unnamed utility"
    log_root: Path = Path()
    settings: Settings = Settings()
    stations: Annotated[dict[str, Station], Field(min_length=1)]

    def zones(self) -> dict[str, str | None]:
        """Zone of each station, by name."""
        return {name: station.zone for name, station in self.stations.items()}


def _placed(value: Any, zone: Any) -> Any:
    """A time of a learning span in UTC; left alone where pydantic will say what is wrong with it."""
    if not isinstance(value, str) or not isinstance(zone, str):
        return value
    try:
        at = datetime.fromisoformat(value)
        return (at if at.tzinfo else at.replace(tzinfo=zoneinfo.ZoneInfo(zone))).astimezone(UTC)
    except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
        return value


def _tag_mistakes(station: Station) -> list[tuple[Keys, str]]:
    found: list[tuple[Keys, str]] = []
    if "outlet" not in station.tags:
        found.append((("tags",), "has no outlet; a station needs at least the tag of its outlet pressure"))
    for role, tag in station.tags.items():
        if units.find_unit(tag.unit).quantity != QUANTITY[role]:
            known = ", ".join(units.names(QUANTITY[role]))
            text = f'"{tag.unit}" does not measure a {QUANTITY[role]}, which {role} is; use one of {known}'
            found.append((("tags", role, "unit"), text))
    seen: dict[str, str] = {}
    for role, tag in station.tags.items():
        if any(role in source.columns for source in station.sources):
            continue
        if tag.tag in seen:
            text = f'"{tag.tag}" is the tag of {seen[tag.tag]} too; give each role its own tag'
            found.append((("tags", role, "tag"), text))
        seen[tag.tag] = role
    for n, source in enumerate(station.sources):
        for role in source.columns:
            if role not in station.tags:
                text = f"there is no {role} under tags; add it there with its unit, or remove it here"
                found.append((("sources", n, "columns", role), text))
    return found


def _time_mistakes(station: Station) -> list[tuple[Keys, str]]:
    found: list[tuple[Keys, str]] = []
    if station.reporting == "on_change" and station.heartbeat_s is None:
        text = (
            "is on_change, so heartbeat_s is needed: the longest silence, in seconds, that still means "
            '"unchanged"; add it, for example heartbeat_s: 3600'
        )
        found.append((("reporting",), text))
    if station.heartbeat_s is not None and station.heartbeat_s < station.step_s:
        text = f"{station.heartbeat_s} is below step_s, {station.step_s}; give the longest silence in s"
        found.append((("heartbeat_s",), text))
    if station.jitter_s >= station.step_s:
        found.append((("jitter_s",), f"{station.jitter_s:g} must be below step_s, {station.step_s}"))
    if station.stamped == "start" and not station.averaged:
        text = "is start, but values are samples, which have no interval; set averaged: true or remove it"
        found.append((("stamped",), text))
    start_s, end_s = station.learning_span_s()
    if start_s is not None and end_s is not None and start_s >= end_s:
        found.append((("learn", "to"), "is not after from; swap or mend them"))
    return found
