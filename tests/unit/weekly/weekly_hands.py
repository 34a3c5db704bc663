"""Hand-made stations, profiles and weeks with known answers; and a source that gives them out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

import numpy as np

from steadyhead.alerts.model import Verdict
from steadyhead.config.model import Registry, Station
from steadyhead.desk.load import alarm_load
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.fleet.told import Tell
from steadyhead.profile.model import (
    Droop,
    Kv,
    LockUp,
    Profile,
    Rhythm,
    Scatter,
    SetPressure,
    Thresholds,
)
from steadyhead.readings.frame import Readings, regular
from steadyhead.units import UNIT_SYSTEMS
from steadyhead.weekly.alert_lines import of_verdict
from steadyhead.weekly.look import Look, look_at
from steadyhead.weekly.material import Extent, Material, needed_from_s
from steadyhead.weekly.week import Week

WEEK = Week(2025, 20)  # no clock changes in it anywhere
SET_KPA, INLET_KPA = 400.0, 700.0


def station(
    name: str = "elm", time_zone: str = "UTC", step_s: int = 60, *, roles=("inlet", "outlet", "flow"), **more
) -> Station:
    units = {"inlet": "kPa", "outlet": "kPa", "flow": "L/s"}
    return Station.model_validate(
        {
            "name": name,
            "time_zone": time_zone,
            "step_s": step_s,
            "tags": {role: {"tag": f"{name}.{role}", "unit": units[role]} for role in roles},
            "sources": [{"path": "x.csv"}],
            **more,
        }
    )


def profile(
    name: str = "elm", time_zone: str = "UTC", step_s: int = 60, *, has_flow: bool = True, **more
) -> Profile:
    """Set 400 kPa, no droop, usual flow from 2 L/s at night to 10 L/s by day, open Kv 120, lock-up at 410."""
    usual = tuple(2.0 if hour % 24 < 6 else 10.0 for hour in range(168))
    made = Profile(
        station=name, version="v1", format=1, from_s=0, to_s=1, step_s=step_s, time_zone=time_zone,
        averaged=False, on_change=False, has_inlet=True, has_flow=has_flow,
        set_pressure=SetPressure(SET_KPA, "learned"),
        droop=Droop((0.0,) if has_flow else (), (0.0,) if has_flow else (), 0.0, 0.0, INLET_KPA),
        scatter=Scatter(1.0, 0.5, 0.5, 2.0, 600.0),
        lock_up=LockUp(20, SET_KPA + 10.0, 10.0, 0.02, 0.1),
        kv=Kv(20.0, 60.0, 120.0, "rated", 70.0),
        rhythm=Rhythm(usual, usual, (0.0,) * 168, 20.0, 8.0, 2.0),
        novelty=None,
        thresholds=Thresholds(0.02, 0.03, 0.03, 0.06, 0.05, 1.0),
        withheld={}, remarks=(),
    )  # fmt: skip
    return replace(made, **more)


def rows_of(week: Week = WEEK, time_zone: str = "UTC", step_s: int = 60, weeks: int = 1) -> tuple[int, int]:
    """First second and number of rows of a week and those before it."""
    from_s = week.shifted(1 - weeks).bounds_s(time_zone)[0]
    return from_s, (week.bounds_s(time_zone)[1] - from_s) // step_s


def one_week(
    outlet,
    *,
    inlet=INLET_KPA,
    flow=10.0,
    step_s: int = 60,
    time_zone: str = "UTC",
    week: Week = WEEK,
    weeks: int = 1,
    name: str = "elm",
) -> Readings:
    """Readings of whole weeks; plain numbers are held, ``flow=None`` has no meter."""
    from_s, n = rows_of(week, time_zone, step_s, weeks)

    def column(value):
        return None if value is None else np.broadcast_to(np.asarray(value, dtype=float), n).copy()

    return regular(name, from_s, step_s, column(outlet), inlet_kpa=column(inlet), flow_lps=column(flow))


def look(readings: Readings, known: Profile | None = None, where: Station | None = None) -> Look:
    where = where or station(step_s=readings.step_s)
    return look_at(
        readings, where, known if known is not None else profile(step_s=readings.step_s), readings.end_s
    )


def verdict(
    name: str = "elm", condition="drift", raised_s: int = 0, ended_s: int | None = None, **more
) -> Verdict:
    return Verdict(
        station=name, condition=condition, confidence=0.9, runners_up=(),
        magnitude={"departure_kpa": 40.0, "departure_share": 0.1}, evidence=("The outlet stands high.",),
        began_s=raised_s - 3600, raised_s=raised_s, ended_s=ended_s, updated_s=raised_s, profile_version="v1",
        window_s=(raised_s - 3600, raised_s), **more,
    )  # fmt: skip


class HandSource:
    """A source of ready-made materials."""

    has_desk = False

    def __init__(self, materials: list[Material], units: str = "kpa_lps") -> None:
        self.registry = Registry.model_validate(
            {
                "utility": "Hand-made Water",
                "settings": {"display_units": units},
                "stations": {m.station.name: m.station.model_dump(by_alias=True) for m in materials},
            }
        )
        self.knowledge = load_knowledge()
        self.left_out: dict[str, str] = {}
        self.extent = Extent()
        self.given = materials
        self.asked: list[tuple[str, int, int]] = []

    def names(self) -> list[str]:
        return [m.station.name for m in self.given]

    def newest_s(self, place=None) -> int | None:
        return max((m.readings.end_s for m in self.given if m.readings is not None), default=None)

    def lots(self, week: Week, most: int):
        return [HandLot(self)]

    def materials(self, week: Week) -> Iterator[Material]:
        for material in self.given:
            readings = material.readings
            if readings is not None:
                self.extent.take(readings.start_s, readings.end_s - readings.step_s)
                zone = material.station.time_zone
                readings = readings.between(needed_from_s(week, zone), week.bounds_s(zone)[1])
            yield replace(material, readings=readings)

    def load(self, week: Week, alerts: Mapping[str, tuple]):
        del alerts
        return alarm_load([], [], *week.bounds_s("UTC"))


class HandLot:
    """All of a ``HandSource`` at once."""

    def __init__(self, source: HandSource) -> None:
        self.source, self.names = source, tuple(source.names())
        self.left_out: dict[str, str] = {}
        self.extent = source.extent

    def __len__(self) -> int:
        return len(self.names)

    def materials(self, week: Week, tell: Tell) -> Iterator[Material]:
        return self.source.materials(week)


def line_of(found: Verdict, where: Station):
    return of_verdict(found, where, load_knowledge(), UNIT_SYSTEMS["kpa_lps"])
