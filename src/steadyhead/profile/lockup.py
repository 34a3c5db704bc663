"""Learn what the outlet does when the station is shut."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import LockUp
from steadyhead.profile.span import Span, thinned
from steadyhead.stats.bootstrap import tail_threshold_for_rate
from steadyhead.types import BoolArray, FloatArray

LEAST_CLOSED_S = 1200.0
LEAST_CLOSED = 5  # periods, for a tail to be read from them
YEAR_S = 365.25 * 86400
CREEP_OF_WAY = 1.4  # creep speaks up from so many times ``way_high``
MOST_HEALTHY_WAY = 0.05  # a tight valve stays below this share of the way to the inlet
BELOW_SET = 0.02  # a valve shuts at its set pressure or above: lower, something else holds the water back
CUTOFF_RATIO = 0.015  # of the 95 % flow, where the meter's own cut-off is not declared


def cutoff(span: Span, declared_lps: float | None) -> float:
    """Flow at or below which the station counts as shut [L/s]."""
    flow = span.flow_lps[span.keep & np.isfinite(span.flow_lps)]
    high = float(np.quantile(thinned(flow), 0.95)) if len(flow) else 0.0
    return max(declared_lps or 0.0, CUTOFF_RATIO * high)


def learn_lock_up(
    span: Span, shut: BoolArray, cutoff_lps: float, set_now: FloatArray, has_inlet: bool, per_year: float
) -> LockUp:
    """Lock-up level and rise from closed periods of 20 min or more, at the set pressure or above.

    per_year : how many false alerts a year creep may give
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], shut.astype(np.int8), [0]])))
    least = LEAST_CLOSED_S / span.tick_s
    closed = [(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= least]
    over_set = [_quantile(span.outlet_kpa[a:b] / set_now[a:b] - 1.0, 0.5) for a, b in closed]
    closed = [period for period, over in zip(closed, over_set, strict=True) if not over < -BELOW_SET]
    if not closed:
        return LockUp(0, 0.0, 0.0, 0.0, cutoff_lps)
    # where closed nights differ much, the lower ones are the tight ones
    levels = [_quantile(span.outlet_kpa[a:b], 0.5) for a, b in closed]
    rise = float(np.quantile([_quantile(span.outlet_kpa[a:b] - set_now[a:b], 0.5) for a, b in closed], 0.4))
    way_high = 0.0
    if has_inlet:
        highest = np.array([_quantile(_way(span, a, b, set_now[a:b] + rise), 0.95) for a, b in closed])
        way_high = _usual_way(highest[np.isfinite(highest)], len(span) * span.tick_s, per_year)
    return LockUp(
        closed_nights=len(closed),
        lock_up_kpa=float(np.quantile(levels, 0.4)),
        rise_kpa=rise,
        way_high=float(np.clip(way_high, 0.0, MOST_HEALTHY_WAY)),
        cutoff_lps=cutoff_lps,
    )


def _usual_way(highest: FloatArray, span_s: int, per_year: float) -> float:
    """Share of the way that may be passed without being called creep more than ``per_year`` times a year."""
    if len(highest) < LEAST_CLOSED:
        return float(np.quantile(highest, 0.9)) if len(highest) else 0.0
    closed_per_year = len(highest) * YEAR_S / span_s
    return tail_threshold_for_rate(highest, 1, per_year / closed_per_year, least=LEAST_CLOSED) / CREEP_OF_WAY


def _way(span: Span, first: int, last: int, locked_kpa: FloatArray) -> FloatArray:
    """Share of the way from lock-up to the inlet, where there is room for one."""
    room = span.inlet_kpa[first:last] - locked_kpa
    rise = span.outlet_kpa[first:last] - locked_kpa
    there = room > 1.0
    return rise[there] / room[there]


def _quantile(values: FloatArray, q: float) -> float:
    """Quantile of what is not NaN, NaN if nothing is; numpy's own costs more than it does on a night."""
    kept = np.sort(values)
    last = len(kept) - 1 - int(np.isnan(kept).sum())
    if last < 0:
        return float("nan")
    at = int(q * last)
    return float(kept[at] + (q * last - at) * (kept[min(at + 1, last)] - kept[at]))
