"""The one place that wires registry, profile, engine and diagnosis together for a station."""

from __future__ import annotations

import numpy as np

from steadyhead.alerts.model import Verdict
from steadyhead.config.model import Settings, Station
from steadyhead.config.schedule import declared_set_kpa
from steadyhead.diagnosis.weigh import verdicts
from steadyhead.engine import State, step
from steadyhead.profile.expect import QUARTERS, around
from steadyhead.profile.known import Known
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import condense, new_memory, times_s
from steadyhead.report.band import Band
from steadyhead.types import FloatArray
from steadyhead.units import UNIT_SYSTEMS, UnitSystem

A_MONDAY_S = (
    1_704_067_200  # 2024-01-01 00:00 UTC: any week without a clock change serves to lay out a schedule
)
BAND_SPREADS = 3.0


def known(station: Station, settings: Settings) -> Known:
    """What the registry says of a station, in the form that learning takes."""
    schedule: tuple[float, ...] = ()
    if station.set_pressure.schedule:
        quarters = A_MONDAY_S + 900 * np.arange(QUARTERS, dtype=np.int64)
        schedule = tuple(float(v) for v in declared_set_kpa(station.set_pressure, quarters, "UTC"))
    return Known(
        time_zone=station.time_zone,
        averaged=station.averaged,
        on_change=station.reporting == "on_change",
        nominal_kpa=station.set_pressure.nominal_kpa,
        schedule_kpa=schedule,
        trusted=station.set_pressure.trusted,
        rated_kv_m3h=station.valve.rated_kv_m3h,
        min_differential_kpa=station.valve.min_differential_kpa,
        cutoff_lps=station.meter_cutoff_lps,
        false_alerts_per_year=settings.false_alerts_per_station_year,
    )


def scan_station(
    readings: Readings, profile: Profile, units: UnitSystem = UNIT_SYSTEMS["kpa_lps"]
) -> list[Verdict]:
    """Replay the readings causally; one verdict per episode, in order of raising."""
    return verdicts(step(State(), readings, profile), profile, readings.end_s, units)


def band(readings: Readings, profile: Profile) -> Band:
    """Learned normal on the grid of the readings, for drawing."""
    ticks = condense(readings, new_memory(), 1.0, 1e9)
    expected = around(profile, ticks)[:, 0]
    on_grid = _held_back(times_s(ticks), expected, readings)
    half = BAND_SPREADS * profile.scatter.tick_kpa
    half = max(half, profile.thresholds.enter_share * profile.set_pressure.typical_kpa)
    droop = None
    if profile.droop.flow_lps:
        droop = (
            np.asarray(profile.droop.flow_lps),
            np.asarray(profile.droop.offset_kpa) + profile.set_pressure.typical_kpa,
        )
    return Band(
        expected_kpa=on_grid,
        low_kpa=on_grid - half,
        high_kpa=on_grid + half,
        droop=droop,
        lock_up_kpa=profile.lock_up.lock_up_kpa if profile.lock_up.closed_nights else None,
        kv_full_m3h=profile.kv.full_m3h if profile.kv.full_m3h < 1e8 else None,
    )


def _held_back(tick_times_s: FloatArray, values: FloatArray, readings: Readings) -> FloatArray:
    """Tick values on the readings' rows: each row takes the tick it belongs to."""
    at = np.searchsorted(tick_times_s, readings.times_s.astype(np.float64), side="left")
    inside = at < len(values)
    result = np.full(len(readings), np.nan)
    result[inside] = values[at[inside]]
    return result
