"""What a profile expects of each tick: outlet, set pressure, usual flow at this local hour."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd

from steadyhead.profile.model import Profile
from steadyhead.readings.ticks import Ticks, times_s
from steadyhead.types import FloatArray, IntArray

QUARTERS = 672  # quarter hours of a week, Monday 00:00 local first


def week_quarter(time_s: FloatArray, time_zone: str) -> tuple[IntArray, FloatArray]:
    """Quarter hour of the local week and local hour of the day.

    time_s : shape (n,), seconds since 1970-01-01 UTC, ascending. Returns arrays of the same shape.
    """
    if not len(time_s):
        return np.empty(0, dtype=np.int64), np.empty(0)
    starts, offsets = _offsets(int(time_s[0]) // 86400, int(time_s[-1]) // 86400, time_zone)
    local = time_s + offsets[np.searchsorted(starts, time_s, side="right") - 1]
    # 1970-01-01 was a Thursday
    quarter = ((local // 900) + 3 * 96).astype(np.int64) % QUARTERS
    return quarter, (local % 86400) / 3600.0


@lru_cache(maxsize=256)
def _offsets(first_day: int, last_day: int, time_zone: str) -> tuple[IntArray, IntArray]:
    """Times at which the zone's offset changes within the days, and the offsets from then on [s]."""
    hours = np.arange((first_day - 1) * 24, (last_day + 2) * 24, dtype=np.int64) * 3600
    utc = pd.to_datetime(hours, unit="s", utc=True)
    local = utc.tz_convert(time_zone).tz_localize(None)
    offset = (local - utc.tz_localize(None)).total_seconds().to_numpy().astype(np.int64)
    change = np.flatnonzero(np.diff(offset)) + 1
    keep = np.concatenate([[0], change])
    return hours[keep], offset[keep]


def droop_kpa(profile: Profile, flow_lps: FloatArray) -> FloatArray:
    """Learned outlet minus set at each flow, shape as given [kPa]; NaN flow gives NaN."""
    knots = np.asarray(profile.droop.flow_lps)
    if not len(knots):
        return np.zeros_like(flow_lps)
    offset = np.interp(flow_lps, knots, profile.droop.offset_kpa)
    beyond = np.maximum(flow_lps - knots[-1], 0.0)
    return offset + profile.droop.slope_kpa_per_lps * np.where(np.isnan(beyond), np.nan, beyond)


def around(profile: Profile, ticks: Ticks) -> FloatArray:
    """What is expected around each tick, shape (n_ticks, 6).

    Columns: outlet [kPa], set pressure now [kPa], usual flow and high flow at this hour [L/s], share of shut
    ticks at this hour, local hour of the day.
    """
    table = ticks.table
    quarter, hour = week_quarter(times_s(ticks), profile.time_zone)
    result = np.empty((len(table), 6))
    rhythm = profile.rhythm
    usual = np.asarray(rhythm.usual_lps)[quarter // 4]
    result[:, 2] = usual
    result[:, 3] = np.asarray(rhythm.high_lps)[quarter // 4]
    result[:, 4] = np.asarray(rhythm.zero_share)[quarter // 4]
    result[:, 5] = hour
    if profile.set_pressure.source == "commanded":
        set_now = table["command_kpa"] + profile.set_pressure.command_offset_kpa
    elif profile.set_pressure.slots_kpa:
        set_now = np.asarray(profile.set_pressure.slots_kpa)[quarter]
    else:
        set_now = np.full(len(table), profile.set_pressure.typical_kpa)
    result[:, 1] = set_now
    flow = table["flow_lps"]
    if profile.has_flow:
        flow = np.where(np.isnan(flow), usual, flow)
    result[:, 0] = set_now + droop_kpa(profile, flow)
    inlet = table["inlet_kpa"]
    if profile.has_inlet:
        result[:, 0] += profile.droop.inlet_ratio * np.where(
            np.isnan(inlet), 0.0, inlet - profile.droop.inlet_kpa
        )
    return result
