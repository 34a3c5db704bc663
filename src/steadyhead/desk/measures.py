"""How well a station regulates over a span, in a handful of figures beside what was learned of it.

The figures for response and swing are the engine's own daily statistics, against the thresholds that the
station's history set; so a repair passes when the engine would have nothing to say.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from steadyhead.engine import healthy_statistics
from steadyhead.profile.expect import around
from steadyhead.profile.limits import arm_kpa, limits, spike_kpa
from steadyhead.profile.lockup import LEAST_CLOSED_S
from steadyhead.profile.model import Profile
from steadyhead.profile.span import block_means, robust_spread
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import Ticks, condense, new_memory
from steadyhead.types import BoolArray, FloatArray

HOUR_SPREADS = 3.0  # of an hour's mean: a healthy hour is hardly ever further off
SCATTER_RATIO = 2.0  # of the learned scatter, as the engine asks of raised scatter (``conditions.hunting``)
LEAST_SCATTER = 0.004  # of set: less than this nobody would act on (our own)
CREEP_WAY = 0.055  # of the way from lock-up to the inlet, as ``conditions.creep`` has it
LEAST_IN_HOUR = 1 / 3  # of an hour's ticks have to be regulating for its mean to count
BACK_S = 3600  # after a short inlet: a valve that stood wide open takes its time (common practice, no source)
USUALLY_SHUT = 0.3  # share of ticks without flow at this hour of the week, as ``conditions.scene`` has it


@dataclass(frozen=True, slots=True)
class Regulation:
    """Figures of one span; None where the span or the profile has nothing to judge it by.

    hours : regulating hours, those with a reading and enough inlet; known_share : ticks with an outlet
    departure_kpa : median of outlet minus expected; steady_kpa : how far hourly means spread (5 to 95 %)
    held_share : hours whose mean is within ``held_within_kpa``
    lock_up_rise_kpa : highest median of a closed period over the hour's set; way_share : the same as a share
        of the way from lock-up to the inlet; closed : closed periods of 20 min or more
    response_kpa : stray at a usual change of demand; scatter_kpa : spread about the hour's mean
    swing_kpa : largest counted swing; beat_kpa : swing from raised scatter, where swings cannot be counted
    """

    hours: float
    known_share: float
    departure_kpa: float | None
    steady_kpa: float | None
    held_share: float | None
    lock_up_rise_kpa: float | None
    way_share: float | None
    closed: int
    response_kpa: float | None
    scatter_kpa: float | None
    swing_kpa: float | None
    beat_kpa: float | None


@dataclass(frozen=True, slots=True)
class Bounds:
    """What the figures have to keep within, from the profile; None where it was not learned."""

    held_within_kpa: float
    lock_up_rise_kpa: float | None
    way_share: float
    response_kpa: float | None
    scatter_kpa: float
    swing_kpa: float
    beat_kpa: float | None


def bounds(profile: Profile) -> Bounds:
    """The bounds of a station."""
    set_kpa, t, s = profile.set_pressure.typical_kpa, profile.thresholds, profile.scatter
    is_fine = limits(profile).fine
    lock = profile.lock_up
    known = lock.closed_nights > 0 and profile.has_flow and profile.has_inlet
    return Bounds(
        held_within_kpa=max(t.enter_share * set_kpa, HOUR_SPREADS * s.hour_kpa),
        lock_up_rise_kpa=lock.rise_kpa + max(4.0 * s.tick_kpa, 0.01 * set_kpa) if known else None,
        way_share=max(CREEP_WAY, 1.4 * lock.way_high),
        response_kpa=t.slow_share * set_kpa if limits(profile).slow_judged else None,
        scatter_kpa=max(SCATTER_RATIO * s.tick_kpa, LEAST_SCATTER * set_kpa),
        swing_kpa=(t.hunting_share if is_fine else max(t.hunting_share, 0.5 * t.scatter_share)) * set_kpa,
        beat_kpa=None if profile.on_change else t.scatter_share * set_kpa,
    )


def regulation(readings: Readings, profile: Profile) -> Regulation:
    """The figures of a span of readings; they are not modified."""
    ticks = condense(readings, new_memory(), arm_kpa(profile), spike_kpa(profile))
    if not len(ticks):
        return Regulation(0.0, 0.0, None, None, None, None, None, 0, None, None, None, None)
    bound, table = bounds(profile), ticks.table
    expected = around(profile, ticks)
    outlet, inlet, flow = table["outlet_kpa"], table["inlet_kpa"], table["flow_lps"]
    departure = outlet - expected[:, 0]
    shut = _shut(outlet, flow, expected, profile)
    fed = _fed(_starved(inlet - expected[:, 0], flow, profile), ticks.tick_s)
    works = np.isfinite(departure) & fed & ~shut
    per_hour = max(1, 3600 // ticks.tick_s)
    hourly = _hourly(np.where(works, departure, np.nan), per_hour)
    seen = hourly[np.isfinite(hourly)]
    rises, ways = _closed(shut & fed, outlet, inlet, expected[:, 1], profile, ticks.tick_s)
    level = float(np.median(departure[works])) if works.any() else None
    drawn = _statistics(ticks, profile, fed, level or 0.0)
    return Regulation(
        hours=float(works.sum()) * ticks.tick_s / 3600.0,
        known_share=float(np.isfinite(outlet).mean()),
        departure_kpa=level,
        steady_kpa=float(np.quantile(seen, 0.95) - np.quantile(seen, 0.05)) if len(seen) > 2 else None,
        held_share=float((np.abs(seen) <= bound.held_within_kpa).mean()) if len(seen) else None,
        lock_up_rise_kpa=max(rises) if rises else None,
        way_share=max(ways) if ways else None,
        closed=len(rises),
        response_kpa=None if bound.response_kpa is None else drawn["slow"],
        scatter_kpa=_scatter(departure, works, per_hour),
        swing_kpa=drawn["swing"],
        beat_kpa=None if bound.beat_kpa is None else drawn["scatter"],
    )


def _shut(outlet: FloatArray, flow: FloatArray, expected: FloatArray, profile: Profile) -> BoolArray:
    """No flow, or at a usually shut hour so little that it only lifts the district past lock-up."""
    if not profile.has_flow:
        return np.zeros(len(outlet), dtype=bool)
    lock = expected[:, 1] + profile.lock_up.rise_kpa
    fills = (expected[:, 4] > USUALLY_SHUT) & (flow < 0.5 * profile.rhythm.daily_mean_lps)
    fills &= outlet > lock + 2.0 * profile.scatter.tick_kpa
    return np.asarray((flow <= profile.lock_up.cutoff_lps) | fills)


def _hourly(values: FloatArray, per_hour: int) -> FloatArray:
    """Means of whole hours with enough of them known; NaN for the others."""
    share = block_means(np.isfinite(values).astype(np.float64), per_hour)
    return np.where(share >= LEAST_IN_HOUR, block_means(values, per_hour), np.nan)


def _closed(
    shut: BoolArray, outlet: FloatArray, inlet: FloatArray, set_now: FloatArray, profile: Profile, tick_s: int
) -> tuple[list[float], list[float]]:
    """Median rise over set [kPa] of each closed period of 20 min or more, and its share of the way."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], shut.astype(np.int8), [0]])))
    rises, ways = [], []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        rise = outlet[first:last] - set_now[first:last]
        if (last - first) * tick_s < LEAST_CLOSED_S or not np.isfinite(rise).any():
            continue
        rises.append(float(np.nanmedian(rise)))
        room = (
            np.nanmedian(inlet[first:last] - set_now[first:last])
            if np.isfinite(inlet[first:last]).any()
            else 0.0
        )
        above = rises[-1] - profile.lock_up.rise_kpa
        room -= profile.lock_up.rise_kpa
        ways.append(float(above / room) if room > 1.0 else 0.0)
    return rises, ways


def _scatter(departure: FloatArray, works: BoolArray, per_hour: int) -> float | None:
    """Robust spread about the hour's mean."""
    whole = len(departure) // per_hour * per_hour
    values = np.where(works, departure, np.nan)[:whole]
    around_mean = values - np.repeat(_hourly(values, per_hour), per_hour)
    good = around_mean[np.isfinite(around_mean)]
    return robust_spread(good) if len(good) else None


def _starved(room_kpa: FloatArray, flow: FloatArray, profile: Profile) -> BoolArray:
    """Too little inlet for this flow, as ``conditions.scene`` has it; False where the inlet is not known."""
    loss = (36.0 * np.nan_to_num(np.maximum(flow, 0.0)) / profile.kv.full_m3h) ** 2
    least = 1.25 * loss + 0.02 * profile.set_pressure.typical_kpa
    return np.asarray(room_kpa < np.maximum(least, profile.kv.min_differential_kpa))


def _fed(is_starved: BoolArray, tick_s: int) -> BoolArray:
    """The inlet is high enough, and has been for long enough for the outlet to be back."""
    wait = BACK_S // tick_s
    starved = np.concatenate([np.zeros(wait + 1, dtype=np.int64), np.cumsum(is_starved)])
    return np.asarray(starved[wait + 1 :] == starved[: len(is_starved)])


def _statistics(ticks: Ticks, profile: Profile, fed: BoolArray, level_kpa: float) -> dict[str, float]:
    """The engine's largest statistics of the span [kPa].

    Response and swing are about movement: a level that stands off by ``level_kpa`` is judged elsewhere, and
    what the outlet did without inlet is not the valve's.
    """
    table = ticks.table.copy()
    table["outlet_kpa"] = np.where(fed, table["outlet_kpa"] - level_kpa, np.nan)
    daily, _, _ = healthy_statistics(replace(ticks, table=table), profile)
    largest = np.nan_to_num(daily).max(axis=0) * profile.set_pressure.typical_kpa
    # a stray beyond the set itself only says that the outlet was not held at all
    slow = min(float(largest[3]), profile.set_pressure.typical_kpa)
    return {"swing": float(largest[1]), "scatter": float(largest[2]), "slow": slow}
