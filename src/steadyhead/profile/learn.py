"""Learn a station's normal from a span of readings.

A span may hold a fault. So the station is learned, the span is judged with what was learned, whatever was
named is left out, and it is learned again; what was left out is said in the profile's remarks.
"""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from steadyhead.engine import State, healthy_statistics, step
from steadyhead.errors import LearningError
from steadyhead.profile.droop import learn_droop
from steadyhead.profile.expect import around
from steadyhead.profile.known import Known
from steadyhead.profile.kv import learn_kv
from steadyhead.profile.lockup import cutoff, learn_lock_up
from steadyhead.profile.model import FORMAT, LockUp, Profile, Scatter, Thresholds, to_json
from steadyhead.profile.novelty import learn_novelty
from steadyhead.profile.rhythm import learn_rhythm
from steadyhead.profile.setpoint import hourly_expectation, learn_set_pressure
from steadyhead.profile.span import Span, block_means, robust_spread, span, thinned
from steadyhead.profile.thresholds import DRIFT, HUNTING, SCATTER, SLOW, learn_thresholds
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import Ticks, condense, latest, new_memory
from steadyhead.types import BoolArray

LEAST_DAYS = 3.0
LEAST_SHARE = 0.3
NEAR_SET = 0.15
NOMINAL_TOLERANCE = 0.06  # of set: droop, lock-up and a transmitter's error together stay below it
MARGIN_S = 3600.0
LEAST_SUSPECT_S = 7200.0
CALIBRATE_S = 90 * 86400  # thresholds and novelty come from the latest quarter of a long span


def learn(readings: Readings, known: Known) -> Profile:
    """Profile of the station over the whole span given.

    Raises LearningError if the span is shorter than 3 days or too empty.
    """
    _check(readings)
    first = _learn_once(readings, known, [])
    left_out = _suspect(readings, first)
    if not left_out:
        return _finish(first, [])
    lost_s = sum(b - a for a, b, _ in left_out)
    if lost_s > 0.5 * len(readings) * readings.step_s:
        return _finish(
            first,
            [
                "More than half of this span looks faulty by its own measure; the profile holds what was "
                "there, not what should be. Learn from another span, or repair first."
            ],
        )
    second = _learn_once(readings, known, [(a, b) for a, b, _ in left_out])
    remarks = [
        f"Left out of learning: {(b - a) / 3600:.0f} h from {_time(a)}, which looked like "
        f"{name.replace('_', ' ')}."
        for a, b, name in left_out
    ]
    return _finish(second, remarks)


def _check(readings: Readings) -> None:
    days = len(readings) * readings.step_s / 86400
    if days < LEAST_DAYS:
        raise LearningError(
            f"{readings.station}: {days:.1f} days of readings, at least {LEAST_DAYS:.0f} are needed to "
            "learn; give a longer span"
        )
    share = float(np.isfinite(readings.outlet_kpa).mean())
    if share < LEAST_SHARE:
        raise LearningError(
            f"{readings.station}: only {share:.0%} of the span has an outlet pressure, at least "
            f"{LEAST_SHARE:.0%} are needed; check the tag and the quarantine file, or give another span"
        )


def _against_registry(profile: Profile, known: Known) -> list[str]:
    """A sentence where the span held another pressure than the registry says it should."""
    learned, nominal = profile.set_pressure, known.nominal_kpa
    if nominal is None or learned.source != "learned":
        return []
    off = learned.typical_kpa / nominal - 1.0
    if abs(off) <= NOMINAL_TOLERANCE:
        return []
    return [
        f"The registry says {nominal:.0f} kPa, the span held {learned.typical_kpa:.0f} kPa "
        f"({off:+.0%}): either the registry is old or the station was at fault while it was learned. "
        "What is judged is departure from the span."
    ]


def _suspect(readings: Readings, profile: Profile) -> list[tuple[float, float, str]]:
    """Parts of the span that the first profile itself names, with an hour on either side."""
    open_at: dict[str, float] = {}
    parts: list[tuple[float, float, str]] = []
    for change in step(State(), readings, profile):
        if change.is_raised:
            open_at[change.condition] = float(change.held["since_s"])
        elif change.condition in open_at:
            end = change.at_s - float(change.held["clear_s"])
            parts.append((open_at.pop(change.condition) - MARGIN_S, end + MARGIN_S, change.condition))
    parts += [(since - MARGIN_S, float(readings.end_s), name) for name, since in open_at.items()]
    quiet = {"telemetry_loss", "unfamiliar"}
    # what passes within two hours belongs to this station's life; thresholds have to stand it
    lasting = [p for p in parts if p[1] - p[0] - 2 * MARGIN_S >= LEAST_SUSPECT_S]
    return sorted(p for p in lasting if p[2] not in quiet)


def _rough_set(s: Span) -> float:
    flowing = s.keep & ~(s.flow_lps <= 0)
    outlet = s.outlet_kpa[flowing if flowing.any() else s.keep]
    return float(np.median(thinned(outlet)))


def _learn_once(readings: Readings, known: Known, left_out: list[tuple[float, float]]) -> Profile:
    rough_kpa = float(np.nanmedian(thinned(readings.outlet_kpa)))
    ticks = condense(readings, new_memory(), 0.006 * abs(rough_kpa) + 0.1, 0.15 * abs(rough_kpa) + 1.0)
    s = span(ticks, known, left_out)
    if s.keep.sum() < 100:
        raise LearningError(f"{readings.station}: nothing is left to learn from; give another span")
    profile = _relations(readings, s, known, _rough_set(s))
    recent = latest(ticks, CALIBRATE_S)
    daily, hours = healthy_statistics(recent, profile)
    days, part = _kept(recent, left_out, 86400, len(daily)), _kept(recent, left_out, 3600, len(hours))
    thresholds, remarks = learn_thresholds(daily[days], known.false_alerts_per_year)
    return replace(
        profile,
        thresholds=thresholds,
        novelty=learn_novelty(hours[part], known.false_alerts_per_year),
        remarks=(*remarks, *_against_registry(profile, known)),
    )


def _kept(ticks: Ticks, left_out: list[tuple[float, float]], block_s: int, n: int) -> BoolArray:
    """Blocks of the span that nothing left out touches."""
    keep = np.ones(n, dtype=bool)
    for from_s, to_s in left_out:
        first = int((from_s - ticks.start_s) // block_s)
        keep[max(first, 0) : max(int((to_s - ticks.start_s) // block_s) + 1, 0)] = False
    return keep


def _relations(readings: Readings, s: Span, known: Known, rough_kpa: float) -> Profile:
    """Set, droop, scatter, lock-up, Kv and rhythm, with thresholds still at their floors."""
    has_flow = bool(np.isfinite(s.flow_lps[s.keep]).mean() > 0.3)
    has_inlet = bool(np.isfinite(s.inlet_kpa[s.keep]).mean() > 0.3)
    cutoff_lps = cutoff(s, known.cutoff_lps) if has_flow else 0.0
    shut = s.keep & (s.flow_lps <= cutoff_lps) if has_flow else np.zeros(len(s.keep), dtype=bool)
    regulating = s.keep & ~shut & (~np.isnan(s.flow_lps) if has_flow else True)
    if has_inlet:
        regulating = regulating & ~(s.inlet_kpa < s.outlet_kpa + 0.03 * rough_kpa)
    if regulating.sum() < 100:
        regulating = s.keep
    set_pressure = learn_set_pressure(s, regulating, known)
    if not has_flow:
        set_pressure = hourly_expectation(s, regulating, set_pressure)
    if set_pressure.source == "commanded":
        set_now = s.command_kpa + set_pressure.command_offset_kpa
    elif set_pressure.slots_kpa:
        set_now = np.asarray(set_pressure.slots_kpa)[s.quarter]
    else:
        set_now = np.full(len(s.keep), set_pressure.typical_kpa)
    near = regulating & (np.abs(s.outlet_kpa - set_now) < NEAR_SET * set_pressure.typical_kpa)
    lock_up = (
        learn_lock_up(s, shut, cutoff_lps, set_now, has_inlet) if has_flow else LockUp(0, 0.0, 0.0, 0.0, 0.0)
    )
    droop = learn_droop(s, near, set_now, has_inlet, has_flow)
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
        scatter=Scatter(1.0, 1.0, 0.0, 0.1, 0.1, 0.0, 0.0),
        lock_up=lock_up,
        kv=learn_kv(s, near, known, set_pressure.typical_kpa, has_inlet and has_flow),
        rhythm=learn_rhythm(s, cutoff_lps),
        novelty=None,
        thresholds=Thresholds(DRIFT[0], 0.015, HUNTING[0], SCATTER[0], SLOW[0], known.false_alerts_per_year),
        withheld={},
        remarks=(),
    )
    return replace(profile, scatter=_scatter(s, near, profile))


def _scatter(s: Span, near: BoolArray, profile: Profile) -> Scatter:
    recent = latest(s.ticks, CALIBRATE_S)
    near = near[-len(recent) :]
    s = Span(recent, s.keep[-len(recent) :], s.quarter[-len(recent) :], s.hour[-len(recent) :])
    residual = np.where(near, s.outlet_kpa - around(profile, s.ticks)[:, 0], np.nan)
    good = residual[np.isfinite(residual)]
    per_hour = max(1, 3600 // s.ticks.tick_s)
    hourly = block_means(residual, per_hour)
    table = s.ticks.table
    move = thinned(table["outlet_move"][near & np.isfinite(table["outlet_move"])])
    flow = s.flow_lps
    with np.errstate(invalid="ignore", divide="ignore"):
        step_ln = np.diff(np.log(np.where(near & (flow > 0), flow, np.nan)))
    step_ln = thinned(step_ln[np.isfinite(step_ln)])
    pairs = residual[1:] * residual[:-1]
    spread2 = float(np.nanmean(residual**2)) if len(good) else 1.0
    still = thinned(np.maximum(table["still_outlet_s"], table["still_inlet_s"])[s.keep], 20_000)
    return Scatter(
        tick_kpa=max(robust_spread(thinned(good)), 0.02),
        hour_kpa=max(robust_spread(hourly[np.isfinite(hourly)]), 0.01),
        phi=float(np.clip(np.nanmean(pairs) / spread2, 0.0, 0.999)) if spread2 > 0 and len(good) > 2 else 0.0,
        move_kpa=max(float(np.median(move)), 0.01) if len(move) else 0.1,
        move_high_kpa=max(float(np.quantile(move, 0.99)), 0.02) if len(move) else 0.2,
        flow_noise_ratio=robust_spread(step_ln) if len(step_ln) else 0.0,
        still_limit_s=float(np.quantile(still, 0.999)) if len(still) else 0.0,
    )


def _finish(profile: Profile, remarks: list[str]) -> Profile:
    withheld = _withheld(profile)
    profile = replace(profile, withheld=withheld, remarks=(*profile.remarks, *remarks))
    digest = hashlib.sha256(to_json(profile).encode()).hexdigest()[:10]
    return replace(profile, version=digest)


def _withheld(p: Profile) -> dict[str, str]:
    withheld: dict[str, str] = {}
    if not p.has_flow:
        why = "the station has no flow meter"
        withheld |= {"creep": why, "excess_demand": why, "held_shut": why, "slow_response": why}
    elif p.lock_up.closed_nights == 0:
        withheld["creep"] = "no closed period of 20 min was seen, so lock-up is unknown"
    if not p.has_inlet:
        why = "there is no inlet pressure"
        withheld |= {"failure_to_open": why, "failure_to_close": why, "inlet_starved": why, "creep": why}
    if p.has_flow and p.step_s > 60:
        withheld["slow_response"] = f"sampling of {p.step_s} s cannot show it; 60 s or finer is needed"
    if p.novelty is None:
        withheld["unfamiliar"] = "fewer than 120 whole hours were seen"
    return withheld


def _time(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
