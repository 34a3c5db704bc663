"""Everything a profile holds of a span, but for what running the engine over it sets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from steadyhead.profile.droop import learn_droop
from steadyhead.profile.expect import around
from steadyhead.profile.known import Known
from steadyhead.profile.kv import learn_kv, least_differential
from steadyhead.profile.lockup import cutoff, learn_lock_up
from steadyhead.profile.model import FORMAT, LockUp, Profile, Scatter, Thresholds
from steadyhead.profile.rhythm import learn_rhythm
from steadyhead.profile.setpoint import hourly_expectation, learn_set_pressure, set_now_kpa
from steadyhead.profile.span import Span, block_means, regulating_ticks, robust_spread, thinned
from steadyhead.profile.thresholds import DRIFT, HUNTING, LAST_SHARES, SCATTER, SLOW
from steadyhead.readings.frame import Readings
from steadyhead.types import BoolArray, FloatArray

NEAR_SET = 0.15


def learn_relations(
    readings: Readings, s: Span, known: Known, rough_kpa: float
) -> tuple[Profile, FloatArray]:
    """Set, droop, scatter, lock-up, Kv and rhythm, with thresholds still at their floors."""
    has_flow = bool(np.isfinite(s.flow_lps[s.keep]).mean() > 0.3)
    has_inlet = bool(np.isfinite(s.inlet_kpa[s.keep]).mean() > 0.3)
    cutoff_lps = cutoff(s, known.cutoff_lps) if has_flow else 0.0
    shut = s.keep & (s.flow_lps <= cutoff_lps) if has_flow else np.zeros(len(s), dtype=bool)
    regulating = regulating_ticks(s, has_inlet, has_flow, cutoff_lps, rough_kpa)
    set_pressure = learn_set_pressure(s, regulating, known)
    if not has_flow:
        set_pressure = hourly_expectation(s, regulating, set_pressure)
    set_now = set_now_kpa(s, set_pressure)
    near = regulating & (np.abs(s.outlet_kpa - set_now) < NEAR_SET * set_pressure.typical_kpa)
    lock_up = LockUp(0, 0.0, 0.0, 0.0, 0.0)
    if has_flow:
        per_year = known.false_alerts_per_year / LAST_SHARES
        lock_up = learn_lock_up(s, shut, cutoff_lps, set_now, has_inlet, per_year)
    droop = learn_droop(s, near, set_now, has_inlet, has_flow)
    least_kpa = least_differential(s, near, set_now, known) if has_inlet else 0.0
    profile = Profile(
        station=readings.station,
        version="",
        format=FORMAT,
        from_s=readings.start_s,
        to_s=readings.end_s,
        step_s=readings.step_s,
        time_zone=known.time_zone,
        averaged=known.averaged,
        on_change=known.on_change,
        has_inlet=has_inlet,
        has_flow=has_flow,
        set_pressure=set_pressure,
        droop=droop,
        scatter=Scatter(1.0, 1.0, 0.1, 0.1, 0.0),
        lock_up=lock_up,
        kv=learn_kv(s, near, known, set_pressure.typical_kpa, least_kpa, has_inlet and has_flow),
        rhythm=learn_rhythm(s, cutoff_lps),
        novelty=None,
        thresholds=Thresholds(DRIFT[0], 0.015, HUNTING[0], SCATTER[0], SLOW[0], known.false_alerts_per_year),
        withheld={},
        remarks=(),
    )
    residual = recent_residual_kpa(s, near, profile)
    return replace(profile, scatter=_scatter(s, near, residual)), residual


def recent_residual_kpa(s: Span, near: BoolArray, profile: Profile) -> FloatArray:
    """Departures of the recent ticks while regulating near set, NaN elsewhere."""
    table = s.recent.table
    return np.where(near[-len(table) :], table["outlet_kpa"] - around(profile, s.recent)[:, 0], np.nan)


def _scatter(s: Span, near: BoolArray, residual: FloatArray) -> Scatter:
    table = s.recent.table
    near, keep = near[-len(table) :], s.keep[-len(table) :]
    hourly = block_means(residual, max(1, 3600 // s.tick_s))
    move = thinned(table["outlet_move"][near & np.isfinite(table["outlet_move"])])
    still = thinned(np.maximum(table["still_outlet_s"], table["still_inlet_s"])[keep], 20_000)
    return Scatter(
        tick_kpa=max(robust_spread(thinned(residual[np.isfinite(residual)])), 0.02),
        hour_kpa=max(robust_spread(hourly[np.isfinite(hourly)]), 0.01),
        move_kpa=max(float(np.median(move)), 0.01) if len(move) else 0.1,
        move_high_kpa=max(float(np.quantile(move, 0.99)), 0.02) if len(move) else 0.2,
        still_limit_s=float(np.quantile(still, 0.999)) if len(still) else 0.0,
    )
