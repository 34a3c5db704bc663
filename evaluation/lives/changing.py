"""Changes of a healthy log that keep to hydraulics: what changes in one channel shows in the others.

Each changed row is solved anew. Demand goes with a power of the outlet pressure; the inlet loses head on its
main with the square of the flow; the outlet is what the station held, moved along its own learned droop, and
never more than the wide-open valve passes (Kv = 36 Q / sqrt(dp), Kv in m3/h, Q in L/s, dp in kPa). Rows that
do not change stay as they were sent, bit by bit. Times are never moved but where a life is about clocks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from zlib import crc32
from zoneinfo import ZoneInfo

import numpy as np
from scipy.ndimage import median_filter

from evaluation.case import DAY_S, Case
from steadyhead.config.model import Role
from steadyhead.types import BoolArray, FloatArray, IntArray

Course = Callable[[FloatArray], FloatArray]
"""A quantity over time: from seconds since 1970 to values of the same shape."""

DEMAND_POWER = 0.35
"""Customers' draw with pressure, leakage among it: from none (tanks) to the root (taps); no source."""
HOLE_POWER = 0.5
"""A hole of fixed size: Torricelli."""
SPARE_KV = 2.5
"""A valve is chosen so that its usual peak takes less than half of it: common practice, no source."""
UNKNOWN_INLET = 1.7
"""Inlet over outlet where the inlet is not logged: a usual station; no source."""


@dataclass(frozen=True, slots=True)
class Rows:
    """What was true at some times, all of the same shape; the flow is 0 where there is no meter."""

    times_s: FloatArray
    inlet_kpa: FloatArray
    outlet_kpa: FloatArray
    flow_lps: FloatArray


@dataclass(frozen=True, slots=True)
class Manner:
    """How a station answers, as its learning span shows it.

    set_kpa : median outlet; mean_lps, night_lps, high_lps : mean, 02:00 to 04:00 median, 99th percentile
    at_lps, offset_kpa : droop, as outlet over set by flow; falls and never rises
    main_loss : of the inlet main [kPa per (L/s)^2]; kv_full_m3h : wide open; drop_kpa : median inlet - outlet
    """

    set_kpa: float
    drop_kpa: float
    mean_lps: float
    night_lps: float
    high_lps: float
    at_lps: FloatArray
    offset_kpa: FloatArray
    main_loss: float
    kv_full_m3h: float

    def droop_kpa(self, flow_lps: FloatArray) -> FloatArray:
        """Outlet over set at a flow; goes on beyond the largest with its mean slope."""
        slope = (self.offset_kpa[-1] - self.offset_kpa[0]) / max(self.at_lps[-1] - self.at_lps[0], 1e-9)
        beyond = np.maximum(flow_lps - self.at_lps[-1], 0.0)
        return np.asarray(np.interp(flow_lps, self.at_lps, self.offset_kpa) + slope * beyond)


# Clocks.


def moment(case: Case, day: int, hour: float) -> int:
    """The instant of a local hour on the judged span's day number ``day`` (0: the first local day)."""
    zone = ZoneInfo(case.time_zone)
    first = datetime.fromtimestamp(case.judge_from_s, tz=zone).date()
    midnight = datetime(first.year, first.month, first.day, tzinfo=UTC).timestamp()
    wall_s = midnight + day * DAY_S + hour * 3600.0
    offset = datetime.fromtimestamp(wall_s, tz=zone).utcoffset()
    return round(wall_s - (offset.total_seconds() if offset is not None else 0.0))


def local_s(case: Case, times_s: FloatArray) -> FloatArray:
    """Local wall clock as seconds since 1970, same shape."""
    zone = ZoneInfo(case.time_zone)
    quarters, which = np.unique(np.asarray(times_s) // 900, return_inverse=True)
    offsets = [datetime.fromtimestamp(900 * q, tz=zone).utcoffset() for q in quarters.tolist()]
    return np.asarray(times_s + np.array([o.total_seconds() if o else 0.0 for o in offsets])[which])


def hour_of(case: Case, times_s: FloatArray) -> FloatArray:
    """Local hour of the day, 0 to 24."""
    return np.asarray(np.mod(local_s(case, times_s) / 3600.0, 24.0))


def in_hours(case: Case, times_s: FloatArray, begin: float, end: float, edge: float = 0.25) -> FloatArray:
    """1 between two local hours of each day (over midnight if begin > end), 0 outside; edges in hours."""
    since = np.mod(hour_of(case, times_s) - begin, 24.0)
    return np.clip(np.minimum(since, np.mod(end - begin, 24.0) - since) / edge, 0.0, 1.0)


def lasting(times_s: FloatArray, from_s: float, to_s: float = np.inf, edge_s: float = 1.0) -> FloatArray:
    """1 from one instant to another, 0 outside, with straight edges inside the span."""
    return np.clip(np.minimum((times_s - from_s) / edge_s, (to_s - times_s) / edge_s), 0.0, 1.0)


def chance(case: Case, name: str) -> np.random.Generator:
    """Chance of one use at one station: the same on every run."""
    return np.random.default_rng(crc32(f"{case.world} {case.id} {name}".encode()))


# What a log shows.


def rows_at(case: Case, times_s: IntArray) -> Rows:
    """Every channel at these times, bridged over gaps."""
    at = times_s.astype(np.float64)
    outlet = _bridged(case, "outlet", at)
    inlet = _bridged(case, "inlet", at) if "inlet" in case.log else UNKNOWN_INLET * np.median(outlet) + 0 * at
    flow = _bridged(case, "flow", at) if "flow" in case.log else 0 * at
    return Rows(at, inlet, outlet, flow)


def _bridged(case: Case, role: Role, at: FloatArray) -> FloatArray:
    times_s, values = case.log[role]
    good = np.isfinite(values)
    return np.asarray(np.interp(at, times_s[good], values[good]))


def manner(case: Case) -> Manner:
    """What the learning span shows of how the station answers."""
    times_s = case.log["outlet"][0]
    rows = rows_at(case, times_s[times_s < case.judge_from_s])
    set_kpa, flow = float(np.median(rows.outlet_kpa)), rows.flow_lps
    night = in_hours(case, rows.times_s, 2.0, 4.0, 0.01) > 0
    high = float(np.quantile(flow, 0.99))
    drop = rows.inlet_kpa - rows.outlet_kpa
    shown = 36.0 * flow / np.sqrt(np.maximum(drop, 5.0))
    at, offset = _droop(flow, rows.outlet_kpa - set_kpa, set_kpa)
    return Manner(
        set_kpa=set_kpa,
        drop_kpa=float(np.median(drop)),
        mean_lps=float(np.mean(flow)),
        night_lps=float(np.median(flow[night])),
        high_lps=high,
        at_lps=at,
        offset_kpa=offset,
        main_loss=_main_loss(rows, float(np.median(drop)), high),
        kv_full_m3h=max(case.rated_kv_m3h or 0.0, SPARE_KV * float(np.quantile(shown, 0.999)), 1e-3),
    )


def _droop(flow: FloatArray, over_kpa: FloatArray, set_kpa: float) -> tuple[FloatArray, FloatArray]:
    runs = flow > 0
    if runs.sum() < 100:
        return np.array([0.0, 1.0]), np.zeros(2)
    edges = np.unique(np.quantile(flow[runs], np.linspace(0, 1, 11)))
    which = np.clip(np.searchsorted(edges, flow, side="right") - 1, 0, len(edges) - 2)
    filled = [b for b in range(len(edges) - 1) if np.any(runs & (which == b))]
    at = np.array([np.median(flow[runs & (which == b)]) for b in filled])
    offset = np.array([np.median(over_kpa[runs & (which == b)]) for b in filled])
    if (~runs).mean() > 0.01:
        at, offset = np.append(0.0, at), np.append(np.median(over_kpa[~runs]), offset)
    offset = np.minimum.accumulate(offset)
    least = 0.005 * set_kpa  # even the stiffest pilot gives way a little: common practice, no source
    if offset[0] - offset[-1] < least:
        offset = offset - least * (at - at[0]) / max(at[-1] - at[0], 1e-9)
    return at, offset


def _main_loss(rows: Rows, drop_kpa: float, high_lps: float) -> float:
    """By how much the inlet fell when the hourly flow rose; what the source does by itself averages out."""
    hour = (rows.times_s // 3600).astype(np.int64)
    hour -= hour[0]
    count = np.maximum(np.bincount(hour), 1)
    inlet = np.diff(np.bincount(hour, rows.inlet_kpa) / count)
    squared = np.diff(np.bincount(hour, rows.flow_lps**2) / count)
    slope = -float(inlet @ squared / max(squared @ squared, 1e-12))
    return float(np.clip(slope, 0.0, 0.2 * drop_kpa / max(high_lps, 1e-3) ** 2))


# Hydraulics.


def solved(
    rows: Rows,
    how: Manner,
    *,
    hole_lps: FloatArray | float = 0.0,
    demand: FloatArray | float = 1.0,
    aim_kpa: FloatArray | float = 0.0,
    head_kpa: FloatArray | float = 0.0,
    kv_m3h: FloatArray | None = None,
) -> Rows:
    """The rows under a change.

    hole_lps : drawn besides, at the outlet the row had; demand : share of the row's own draw
    aim_kpa : what the pilot holds above its usual; head_kpa : change of the source's head
    kv_m3h : the valve's opening where it does not obey its pilot; NaN where it does

    The outlet that the row's valve leaves is found by bisection: more outlet means more draw, so less left.
    """
    least = np.maximum(rows.outlet_kpa, 1.0)
    forced = np.full(rows.times_s.shape, np.nan) if kv_m3h is None else kv_m3h

    def drawn(outlet: FloatArray) -> FloatArray:
        share = np.maximum(outlet, 0.0) / least
        return np.asarray(
            np.maximum(rows.flow_lps * demand * share**DEMAND_POWER + hole_lps * share**HOLE_POWER, 0.0)
        )

    def before(flow: FloatArray) -> FloatArray:
        loss = how.main_loss * (flow**2 - rows.flow_lps**2)
        return np.asarray(np.maximum(rows.inlet_kpa + head_kpa - loss, 0.0))

    def left(outlet: FloatArray) -> FloatArray:
        flow = drawn(outlet)
        inlet = before(flow)
        wide_open = inlet - (36.0 * flow / how.kv_full_m3h) ** 2
        held = rows.outlet_kpa + aim_kpa + how.droop_kpa(flow) - how.droop_kpa(rows.flow_lps)
        stuck = inlet - (36.0 * flow / np.maximum(forced, 1e-6)) ** 2
        return np.where(np.isnan(forced), np.minimum(held, wide_open), stuck)

    low = np.zeros(rows.times_s.shape)
    high = 2.0 * np.maximum(rows.inlet_kpa, rows.outlet_kpa) + np.abs(head_kpa) + np.abs(aim_kpa)
    for _ in range(40):
        middle = 0.5 * (low + high)
        is_low = left(middle) > middle
        low, high = np.where(is_low, middle, low), np.where(is_low, high, middle)
    outlet = 0.5 * (low + high)
    flow = drawn(outlet)
    return Rows(rows.times_s, before(flow), outlet, flow)


def opening_m3h(rows: Rows) -> FloatArray:
    """Kv the station shows [m3/h]."""
    return np.asarray(36.0 * rows.flow_lps / np.sqrt(np.maximum(rows.inlet_kpa - rows.outlet_kpa, 1.0)))


def steadied(rows: Rows, step_s: int) -> Rows:
    """Without what lasts a row or two: a transmitter's noise must not travel to another channel."""
    width = 5 if step_s < 600 else 3
    channels = {name: median_filter(getattr(rows, name), width, mode="nearest") for name in _FIELD.values()}
    return Rows(rows.times_s, **channels)


def reworked(case: Case, answer: Callable[[Rows], Rows], name: str = "") -> Case:
    """The case with its logged channels changed as ``answer`` says; each value keeps its time and its noise.

    What changes is read by the same instruments again: in their steps, and a meter shows 0 below its cut-off.
    """
    log: dict[Role, tuple[IntArray, FloatArray]] = {}
    done: list[tuple[IntArray, Rows, Rows]] = []
    for role, (times_s, values) in case.log.items():
        found = [(old, new) for at, old, new in done if np.array_equal(at, times_s)]
        old = found[0][0] if found else steadied(rows_at(case, times_s), case.step_s)
        new = found[0][1] if found else answer(old)
        if not found:
            done.append((times_s, old, new))
        if role == "command":
            log[role] = (times_s, values)
            continue
        now, was = getattr(new, _FIELD[role]), getattr(old, _FIELD[role])
        log[role] = (times_s, _read_again(case, role, values, now - was, is_none=now <= 0))
    return replace(case, log=log, kind=name or case.kind)


_FIELD = {"inlet": "inlet_kpa", "outlet": "outlet_kpa", "flow": "flow_lps"}


def _read_again(case: Case, role: Role, values: FloatArray, by: FloatArray, is_none: BoolArray) -> FloatArray:
    is_changed = np.abs(by) > 1e-6
    new = values + by
    step = resolution(values)
    if step > 0:
        new = np.round(new / step) * step
    if role == "flow":
        new = np.where(is_none | (new < meter_cutoff(case)), 0.0, np.maximum(new, 0.0))
    return np.where(is_changed & np.isfinite(values), new, values)


def resolution(values: FloatArray) -> float:
    """The step in which a channel is sent; 0 if none can be seen."""
    distinct = np.unique(np.round(values[np.isfinite(values)], 5))
    steps = np.diff(distinct)
    step = float(np.quantile(steps, 0.05)) if len(steps) else 0.0
    is_even = step > 1e-4 and np.mean(np.abs(steps / step - np.round(steps / step)) < 0.02) > 0.95
    return round(step, 5) if is_even else 0.0


def meter_cutoff(case: Case) -> float:
    """Below this the meter shows 0 [L/s]: by the registry, or the least flow beside many zeros; 0 if none."""
    if case.cutoff_lps is not None or "flow" not in case.log:
        return case.cutoff_lps or 0.0
    values = case.log["flow"][1]
    positive = values[values > 0]
    if not len(positive) or np.mean(values == 0) < 0.01:
        return 0.0
    return float(min(positive.min(), 0.1 * positive.mean()))


# The changes that lives are made of.


def drawing(case: Case, hole_lps: Course | None = None, demand: Course | None = None) -> Case:
    """More or less water is drawn: a hole's flow at the usual outlet, and a factor on customers' demand."""
    how = manner(case)

    def answer(rows: Rows) -> Rows:
        hole = np.zeros_like(rows.times_s) if hole_lps is None else hole_lps(rows.times_s)
        factor = np.ones_like(rows.times_s) if demand is None else demand(rows.times_s)
        return _where((hole != 0) | (factor != 1), rows, how, hole_lps=hole, demand=factor)

    return reworked(case, answer)


def holding(case: Case, aim_kpa: Course) -> Case:
    """The pilot holds another pressure: ``aim_kpa`` above its usual."""
    how = manner(case)

    def answer(rows: Rows) -> Rows:
        aim = aim_kpa(rows.times_s)
        return _where(aim != 0, rows, how, aim_kpa=aim)

    return reworked(case, answer)


def feeding(case: Case, head_kpa: Callable[[Rows], FloatArray]) -> Case:
    """The source's head changes by so much; a station that cannot hold its outlet any more lets it fall."""
    how = manner(case)

    def answer(rows: Rows) -> Rows:
        head = head_kpa(rows)
        return _where(head != 0, rows, how, head_kpa=head)

    return reworked(case, answer)


def opening(case: Case, kv_m3h: Callable[[FloatArray, FloatArray], FloatArray]) -> Case:
    """The valve opens otherwise than its pilot asks: from times and Kv needed to Kv there is, NaN to obey."""
    how = manner(case)

    def answer(rows: Rows) -> Rows:
        forced = kv_m3h(rows.times_s, opening_m3h(rows))
        return _where(np.isfinite(forced), rows, how, kv_m3h=forced)

    return reworked(case, answer)


def _where(touched: BoolArray, rows: Rows, how: Manner, **change: FloatArray) -> Rows:
    """Solve only the rows that a change touches."""
    part = Rows(*(getattr(rows, name)[touched] for name in ("times_s", *_FIELD.values())))
    new = solved(part, how, **{name: values[touched] for name, values in change.items()})
    result = {name: getattr(rows, name).copy() for name in _FIELD.values()}
    for name, values in result.items():
        values[touched] = getattr(new, name)
    return Rows(rows.times_s, **result)


def shut(case: Case, from_s: float, to_s: float, outlet_kpa: Callable[[Rows], FloatArray]) -> Case:
    """Nothing passes the station: the outlet is what ``outlet_kpa`` says, the inlet main loses nothing."""
    how = manner(case)

    def answer(rows: Rows) -> Rows:
        is_shut = (rows.times_s >= from_s) & (rows.times_s < to_s)
        return Rows(
            rows.times_s,
            np.where(is_shut, rows.inlet_kpa + how.main_loss * rows.flow_lps**2, rows.inlet_kpa),
            np.where(is_shut, outlet_kpa(rows), rows.outlet_kpa),
            np.where(is_shut, 0.0, rows.flow_lps),
        )

    return reworked(case, answer)


def swinging(case: Case, half_kpa: Course, period_s: float, name: str) -> Case:
    """The station swings by itself: ``half_kpa`` up and down, its period wandering by a few percent.

    What flows in besides fills the pipes near the outlet and follows its pressure, so it leads by a quarter.
    """
    how, rng = manner(case), chance(case, name)
    knots = np.arange(case.learn_from_s, case.end_s + 7200, 1800.0)
    turns = np.cumsum(1800.0 / period_s * (1 + 0.04 * rng.standard_normal(len(knots))))
    lull = 0.8 + 0.2 * np.sin(2 * np.pi * np.cumsum(rng.uniform(0.02, 0.1, len(knots))))
    stored = (
        0.15 * how.mean_lps * period_s / (2 * np.pi * 0.02 * how.set_kpa)
    )  # a 2 % swing moves 15 % of flow

    def answer(rows: Rows) -> Rows:
        t = rows.times_s
        phase = 2 * np.pi * np.interp(t, knots, turns)
        half = half_kpa(t) * np.interp(t, knots, lull) * _kept_by_mean(case, period_s)
        flow = np.maximum(rows.flow_lps + stored * half * 2 * np.pi / period_s * np.cos(phase), 0.0)
        flow = np.where((half > 0) & (rows.flow_lps > 0), flow, rows.flow_lps)
        inlet = rows.inlet_kpa - how.main_loss * (flow**2 - rows.flow_lps**2)
        return Rows(t, inlet, rows.outlet_kpa + half * np.sin(phase), flow)

    return reworked(case, answer)


def _kept_by_mean(case: Case, period_s: float) -> float:
    """Share of a sine that is left when the log holds means of its step."""
    return float(np.sinc(case.step_s / period_s)) if case.averaged else 1.0


def reading(case: Case, role: Role, f: Callable[[FloatArray, FloatArray], FloatArray]) -> Case:
    """Only what the telemetry makes of one channel changes: from times and values to values."""
    times_s, values = case.log[role]
    log = dict(case.log)
    log[role] = (times_s, np.asarray(f(times_s.astype(np.float64), values.copy()), dtype=np.float64))
    return replace(case, log=log)


def retimed(case: Case, f: Callable[[IntArray], IntArray]) -> Case:
    """Every value is stamped otherwise; of values that fall on or behind another only the first is kept."""
    log: dict[Role, tuple[IntArray, FloatArray]] = {}
    for role, (times_s, values) in case.log.items():
        at = np.asarray(f(times_s), dtype=np.int64)
        ahead = np.concatenate([[True], at[1:] > np.maximum.accumulate(at)[:-1]]) & (at < case.end_s)
        log[role] = (at[ahead], values[ahead])
    return replace(case, log=log)


def lost(case: Case, gone: Callable[[FloatArray], BoolArray], roles: tuple[Role, ...] = ()) -> Case:
    """Values at these times never came; of all roles if none is named."""
    log = dict(case.log)
    for role in roles or tuple(case.log):
        times_s, values = case.log[role]
        keep = ~gone(times_s.astype(np.float64))
        log[role] = (times_s[keep], values[keep])
    return replace(case, log=log)


def lock_up(case: Case, rows: Rows) -> tuple[float, float]:
    """Median outlet before dawn (01:30 to 03:45) and by day (08:00 to 21:00) in the learning span [kPa]."""
    hour, is_learnt = hour_of(case, rows.times_s), rows.times_s < case.judge_from_s
    night = is_learnt & (hour >= 1.5) & (hour < 3.75)
    day = is_learnt & (hour >= 8) & (hour < 21)
    return float(np.median(rows.outlet_kpa[night])), float(np.median(rows.outlet_kpa[day]))


def spells_shut(case: Case, rows: Rows) -> BoolArray:
    """Rows in which nobody draws: by the meter, or where there is none, nights at lock-up."""
    if "flow" in case.log:
        return np.asarray(rows.flow_lps <= meter_cutoff(case) * 0.5)
    lock_up_kpa, day_kpa = lock_up(case, rows)
    hour = hour_of(case, rows.times_s)
    is_night = (hour >= 22) | (hour < 8)
    return np.asarray(is_night & (rows.outlet_kpa > day_kpa + 0.6 * (lock_up_kpa - day_kpa)))


def seeping(case: Case, from_s: float, share_in_4_h: float) -> Case:
    """The seat leaks into a district where nobody draws: its outlet climbs to the inlet, then falls back.

    An orifice fills a store of fixed compliance: sqrt(inlet - outlet) falls evenly with time. It comes
    ``share_in_4_h`` of the way from lock-up to inlet in four hours.
    """
    per_s = (1.0 - np.sqrt(1.0 - share_in_4_h)) / (4 * 3600.0)

    def answer(rows: Rows) -> Rows:
        is_shut = spells_shut(case, rows) & (rows.times_s >= from_s)
        first = np.flatnonzero(is_shut & ~np.concatenate([[False], is_shut[:-1]]))
        begin = np.maximum.accumulate(np.where(np.isin(np.arange(len(is_shut)), first), rows.times_s, 0.0))
        stood = np.where(is_shut, rows.times_s - begin, 0.0)
        gap = np.maximum(rows.inlet_kpa - rows.outlet_kpa, 0.0)
        climbed = gap * (1.0 - np.maximum(1.0 - per_s * stood, 0.0) ** 2)
        return Rows(rows.times_s, rows.inlet_kpa, rows.outlet_kpa + climbed, rows.flow_lps)

    return reworked(case, answer)


def with_neighbour(case: Case) -> Case:
    """A case of a zone: where no other station is logged, one that shares our district, a little lower."""
    if case.neighbour is not None:
        return case
    times_s = case.log["outlet"][0]
    outlet = rows_at(case, times_s).outlet_kpa
    noise = 0.0005 * np.median(outlet) * chance(case, "neighbour").standard_normal(len(outlet))
    return replace(case, neighbour=(times_s, np.round(0.995 * outlet + noise, 1)))
