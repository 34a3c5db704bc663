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
from steadyhead.profile.known import Known
from steadyhead.profile.model import Profile, Usual, to_json
from steadyhead.profile.novelty import learn_novelty
from steadyhead.profile.registry import days_against, left_out_line, settled
from steadyhead.profile.relations import learn_relations
from steadyhead.profile.span import LEAST_TICKS, Parts, Span, cut_out, gather, thinned
from steadyhead.profile.steadiness import (
    daily_levels,
    days_as_parts,
    steadiness_of,
    stretch_line,
    unsteady_line,
)
from steadyhead.profile.swing import swing_words
from steadyhead.profile.thresholds import learn_thresholds
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import Ticks
from steadyhead.stats.robust import mad_scale
from steadyhead.types import BoolArray, FloatArray

LEAST_DAYS = 3.0
LEAST_SHARE = 0.3
LEAST_RECENT = 0.1
ROUNDS = 2
MARGIN_S = 3600.0
LEAST_SUSPECT_S = 7200.0


def learn(readings: Readings, known: Known) -> Profile:
    """Profile of the station over the whole span given.

    Raises LearningError if the span is shorter than 3 days or too empty.
    """
    _check(readings)
    ticks = _gathered(readings, known)
    profile = _learn_once(readings, ticks, known, [])
    aside: Parts = []
    remarks: list[str] = []
    against = days_against(ticks, known, profile)
    if against:
        aside = against
        profile = _learn_once(readings, ticks, known, aside)
        remarks += [_left_out(p, left_out_line(_held_kpa(p, ticks), profile, known)) for p in against]
    is_loose = False
    for _ in range(ROUNDS):  # what was left out has bent the first profile
        steady = steadiness_of(ticks.without(aside), profile)
        is_loose = steady.is_loose
        if steady.is_steady:
            break
        other = days_as_parts([(s.first, s.last) for s in steady.stretches], ticks.start_s)
        aside = aside + other
        remarks += [_left_out(p, stretch_line(s)) for p, s in zip(other, steady.stretches, strict=True)]
        profile = _learn_once(readings, ticks, known, aside, is_loose)
    if is_loose:
        remarks.append(unsteady_line(steady, profile.set_pressure.typical_kpa))
    suspect = _suspect(readings, profile, aside)
    left_out = aside + [(a, b) for a, b, _ in suspect]
    if ticks.without(left_out).keep.sum() < 0.5 * ticks.without(aside).keep.sum():
        remarks.append(
            "More than half of this span looks faulty by its own measure; the profile holds what was "
            "there, not what should be. Learn from another span, or repair first."
        )
    elif suspect:
        profile = _learn_once(readings, ticks, known, left_out, is_loose)
        remarks += [_left_out((a, b), _looked_like(readings, a, b, name)) for a, b, name in suspect]
    return _finish(settled(profile, known), remarks)


def _left_out(part: tuple[float, float], why: str) -> str:
    return f"Left out of learning: {(part[1] - part[0]) / 3600:.0f} h from {_time(part[0])}, {why}"


def _looked_like(readings: Readings, from_s: float, to_s: float, name: str) -> str:
    words = swing_words(readings, from_s + MARGIN_S, to_s - MARGIN_S) if name == "hunting" else ""
    return f"which looked like {name.replace('_', ' ')}{words and f' ({words})'}."


def _held_kpa(part: tuple[float, float], ticks: Span) -> float:
    first, last = (int((at - ticks.start_s) // ticks.tick_s) for at in part)
    return float(np.nanmedian(ticks.outlet_kpa[max(first, 0) : last + 1]))


def _gathered(readings: Readings, known: Known) -> Span:
    rough_kpa = float(np.nanmedian(thinned(readings.outlet_kpa)))
    return gather(readings, known.time_zone, 0.006 * abs(rough_kpa) + 0.1, 0.15 * abs(rough_kpa) + 1.0)


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


def _suspect(readings: Readings, profile: Profile, spared: Parts) -> list[tuple[float, float, str]]:
    """Parts of the span that the profile itself names, with an hour on either side, but for ``spared``."""
    open_at: dict[str, float] = {}
    parts: list[tuple[float, float, str]] = []
    for change in step(State(), readings, profile):
        if change.is_raised:
            open_at[change.condition] = float(change.held["since_s"])
        elif not change.is_look and change.condition in open_at:
            end = change.at_s - float(change.held["clear_s"])
            parts.append((open_at.pop(change.condition) - MARGIN_S, end + MARGIN_S, change.condition))
    parts += [(since - MARGIN_S, float(readings.end_s), name) for name, since in open_at.items()]
    quiet = {"telemetry_loss", "unfamiliar"}
    named = [(*piece, p[2]) for p in parts if p[2] not in quiet for piece in cut_out(p[:2], spared)]
    # what passes within two hours belongs to this station's life; thresholds have to stand it
    return sorted(p for p in named if p[1] - p[0] - 2 * MARGIN_S >= LEAST_SUSPECT_S)


def _rough_set(s: Span) -> float:
    flowing = s.keep & ~(s.flow_lps <= 0)
    outlet = s.outlet_kpa[flowing if flowing.any() else s.keep]
    return float(np.median(thinned(outlet)))


def _learn_once(
    readings: Readings, ticks: Span, known: Known, left_out: Parts, is_loose: bool = False
) -> Profile:
    """One round. ``is_loose``: how the level moves from day to day is no part of what is healthy."""
    s = ticks.without(left_out)
    if s.keep.sum() < LEAST_TICKS:
        raise LearningError(f"{readings.station}: nothing is left to learn from; give another span")
    if s.keep[-len(s.recent) :].mean() < LEAST_RECENT:
        # thresholds come from what is latest of what may be learned from
        last = (int(np.flatnonzero(s.keep)[-1]) + 1) * s.tick_s // readings.step_s
        s = _gathered(readings.rows(0, last), known).without(left_out)
    profile, residual_kpa = learn_relations(readings, s, known, _rough_set(s))
    recent = s.recent
    daily, hours, pasts = healthy_statistics(recent, profile)
    days, part = _kept(recent, left_out, 86400, len(daily)), _kept(recent, left_out, 3600, len(hours))
    residual = residual_kpa / profile.set_pressure.typical_kpa
    if is_loose:
        levels = np.nan_to_num(daily_levels(s, profile, len(s) - len(recent)))
        daily[: len(levels), 0] = np.maximum(daily[: len(levels), 0] - np.abs(levels), 0.0)
        residual = residual - np.repeat(levels, 86400 // recent.tick_s)[: len(residual)]
    thresholds, remarks = learn_thresholds(daily[days], residual, recent.tick_s, known.false_alerts_per_year)
    return replace(
        profile,
        thresholds=thresholds,
        novelty=learn_novelty(hours[part], known.false_alerts_per_year),
        usual=_usual(pasts[part]),
        remarks=(*profile.remarks, *remarks),
    )


def _usual(pasts: FloatArray) -> Usual:
    """Median and robust spread of each number; 0 where nothing was seen."""
    center, spread = [], []
    for column in pasts.T:
        known = column[np.isfinite(column)]
        center.append(float(np.median(known)) if len(known) else 0.0)
        spread.append(mad_scale(known) if len(known) else 0.0)
    return Usual(tuple(center), tuple(spread))


def _kept(ticks: Ticks, left_out: Parts, block_s: int, n: int) -> BoolArray:
    """Blocks of the span that nothing left out touches."""
    keep = np.ones(n, dtype=bool)
    for from_s, to_s in left_out:
        first = int((from_s - ticks.start_s) // block_s)
        keep[max(first, 0) : max(int((to_s - ticks.start_s) // block_s) + 1, 0)] = False
    return keep


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
    elif p.has_flow and p.averaged:
        withheld["slow_response"] = "means flatten how far the outlet strays; samples are needed"
    if p.novelty is None:
        withheld["unfamiliar"] = "fewer than 120 whole hours were seen"
    return withheld


def _time(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
