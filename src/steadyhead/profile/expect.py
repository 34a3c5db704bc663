"""What a profile expects of each tick: outlet, set pressure, usual flow at this local hour."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numba import njit
from numpy.typing import NDArray

from steadyhead.profile.model import Profile
from steadyhead.readings.ticks import Ticks
from steadyhead.types import FloatArray, IntArray

QUARTERS = 672  # quarter hours of a week, Monday 00:00 local first
THURSDAY = 3 * 96  # 1970-01-01 was one


def week_quarter(start_s: int, tick_s: int, n: int, time_zone: str) -> NDArray[np.int16]:
    """Quarter hour of the local week of each of ``n`` ticks from ``start_s`` (seconds since 1970 UTC) on."""
    quarter = np.empty(n, dtype=np.int16)
    if n:
        starts, offsets = _offsets(start_s // 86400, (start_s + n * tick_s) // 86400, time_zone)
        _quarters(start_s, tick_s, starts, offsets, quarter)
    return quarter


@njit(cache=True)
def _quarter_of(local_s):  # type: ignore[no-untyped-def]
    return (local_s // 900 + THURSDAY) % QUARTERS


@njit(cache=True)
def _quarters(start_s, tick_s, starts, offsets, quarter):  # type: ignore[no-untyped-def]
    j = 0
    for k in range(quarter.shape[0]):
        time_s = start_s + k * tick_s
        while j + 1 < starts.shape[0] and time_s >= starts[j + 1]:
            j += 1
        quarter[k] = _quarter_of(time_s + offsets[j])


@lru_cache(maxsize=256)
def _offsets(first_day: int, last_day: int, time_zone: str) -> tuple[IntArray, IntArray]:
    """Times at which the zone's offset changes within the days, and the offsets from then on [s]."""
    # zones change on the half hour too
    times = np.arange((first_day - 1) * 96, (last_day + 2) * 96, dtype=np.int64) * 900
    utc = pd.to_datetime(times, unit="s", utc=True)
    local = utc.tz_convert(time_zone).tz_localize(None)
    offset = (local - utc.tz_localize(None)).total_seconds().to_numpy().astype(np.int64)
    change = np.flatnonzero(np.diff(offset)) + 1
    keep = np.concatenate([[0], change])
    return times[keep], offset[keep]


@njit(cache=True)
def _droop_kpa(flow_lps, knots_lps, offset_kpa, slope):  # type: ignore[no-untyped-def]
    """Learned outlet minus set at a flow: lines between knots, the robust slope beyond the last."""
    last = knots_lps.shape[0] - 1
    if last < 0:
        return 0.0
    if flow_lps <= knots_lps[0] and last > 0:
        return offset_kpa[0]
    if flow_lps >= knots_lps[last]:
        return offset_kpa[last] + slope * (flow_lps - knots_lps[last])
    for j in range(last):
        if flow_lps < knots_lps[j + 1]:
            rise = (offset_kpa[j + 1] - offset_kpa[j]) / (knots_lps[j + 1] - knots_lps[j])
            return rise * (flow_lps - knots_lps[j]) + offset_kpa[j]
    return flow_lps if np.isnan(flow_lps) else offset_kpa[0]


@njit(cache=True)
def _around(  # type: ignore[no-untyped-def]
    table, start_s, tick_s, starts, offsets, week, slots_kpa, is_commanded, command_offset_kpa,
    has_flow, knots_lps, offset_kpa, slope, has_inlet, inlet_ratio, inlet_kpa, out,
):  # fmt: skip
    j = 0
    for k in range(table.shape[0]):
        time_s = start_s + k * tick_s
        while j + 1 < starts.shape[0] and time_s >= starts[j + 1]:
            j += 1
        local_s = time_s + offsets[j]
        quarter = _quarter_of(local_s)
        hour = quarter // 4
        usual = week[0, hour]
        t = table[k]
        flow = usual if has_flow and np.isnan(t.flow_lps) else t.flow_lps
        set_now = slots_kpa[quarter % slots_kpa.shape[0]]
        if is_commanded:
            set_now = t.command_kpa + command_offset_kpa
        expected = set_now + _droop_kpa(flow, knots_lps, offset_kpa, slope)
        if has_inlet and not np.isnan(t.inlet_kpa):
            expected += inlet_ratio * (t.inlet_kpa - inlet_kpa)
        out[k, 0] = expected
        out[k, 1] = set_now
        out[k, 2] = usual
        out[k, 3] = week[1, hour]
        out[k, 4] = week[2, hour]
        out[k, 5] = (local_s % 86400) / 3600.0


@dataclass(frozen=True, slots=True)
class Normal:
    """What a profile expects, as arrays and numbers for the kernel; made by ``normal``.

    week : shape (3, 168), usual and high flow [L/s] and share of shut ticks by hour of the local week
    slots_kpa : set pressure by quarter hour of the week, or one for all
    """

    time_zone: str
    week: FloatArray
    slots_kpa: FloatArray
    is_commanded: bool
    command_offset_kpa: float
    has_flow: bool
    knots_lps: FloatArray
    offset_kpa: FloatArray
    slope_kpa_per_lps: float
    has_inlet: bool
    inlet_ratio: float
    inlet_kpa: float


def normal(profile: Profile) -> Normal:
    """What a profile expects, ready for ``around``."""
    rhythm, pressure, droop = profile.rhythm, profile.set_pressure, profile.droop
    knots_lps, offset_kpa = np.array((droop.flow_lps, droop.offset_kpa), dtype=np.float64)
    return Normal(
        time_zone=profile.time_zone,
        week=np.array((rhythm.usual_lps, rhythm.high_lps, rhythm.zero_share)),
        slots_kpa=np.array(pressure.slots_kpa or (pressure.typical_kpa,)),
        is_commanded=pressure.source == "commanded",
        command_offset_kpa=pressure.command_offset_kpa,
        has_flow=profile.has_flow,
        knots_lps=knots_lps,
        offset_kpa=offset_kpa,
        slope_kpa_per_lps=droop.slope_kpa_per_lps,
        has_inlet=profile.has_inlet,
        inlet_ratio=droop.inlet_ratio,
        inlet_kpa=droop.inlet_kpa,
    )


def around(profile: Profile | Normal, ticks: Ticks) -> FloatArray:
    """What is expected around each tick, shape (n_ticks, 6).

    Columns: outlet [kPa], set pressure now [kPa], usual flow and high flow at this hour [L/s], share of shut
    ticks at this hour, local hour of the day.
    """
    n = len(ticks)
    result = np.empty((n, 6))
    if not n:
        return result
    p = profile if isinstance(profile, Normal) else normal(profile)
    first_s, length_s = ticks.start_s, ticks.tick_s
    starts, offsets = _offsets(first_s // 86400, (first_s + n * length_s) // 86400, p.time_zone)
    _around(
        ticks.table, first_s, length_s, starts, offsets, p.week, p.slots_kpa, p.is_commanded,
        p.command_offset_kpa, p.has_flow, p.knots_lps, p.offset_kpa, p.slope_kpa_per_lps,
        p.has_inlet, p.inlet_ratio, p.inlet_kpa, result,
    )  # fmt: skip
    return result
