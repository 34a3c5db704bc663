"""Learn what the outlet does when the station is shut."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import LockUp
from steadyhead.profile.span import Span
from steadyhead.types import BoolArray, FloatArray

LEAST_CLOSED_S = 1200.0
MOST_HEALTHY_WAY = 0.05  # a tight valve stays below this share of the way to the inlet
CUTOFF_RATIO = 0.015  # of the 95 % flow, where the meter's own cut-off is not declared


def cutoff(span: Span, declared_lps: float | None) -> float:
    """Flow at or below which the station counts as shut [L/s]."""
    flow = span.flow_lps[span.keep & np.isfinite(span.flow_lps)]
    high = float(np.quantile(flow, 0.95)) if len(flow) else 0.0
    return max(declared_lps or 0.0, CUTOFF_RATIO * high)


def learn_lock_up(
    span: Span, shut: BoolArray, cutoff_lps: float, set_now: FloatArray, has_inlet: bool
) -> LockUp:
    """Lock-up level and rise from closed periods of 20 min or more."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], shut.astype(np.int8), [0]])))
    levels, rises, ways = [], [], []
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if (last - first) * span.ticks.tick_s < LEAST_CLOSED_S:
            continue
        outlet = span.outlet_kpa[first:last]
        levels.append(float(np.nanmedian(outlet)))
        rises.append(float(np.nanmedian(outlet - set_now[first:last])))
        ways.append((first, last))
    if not levels:
        return LockUp(0, 0.0, 0.0, 0.0, cutoff_lps)
    # where closed nights differ much, the lower ones are the tight ones
    lock_up = float(np.quantile(levels, 0.4))
    rise = float(np.quantile(rises, 0.4))
    way_high = 0.0
    if has_inlet:
        highest = []
        for first, last in ways:
            locked = set_now[first:last] + rise
            room = span.inlet_kpa[first:last] - locked
            share = np.where(
                room > 1.0, (span.outlet_kpa[first:last] - locked) / np.maximum(room, 1.0), np.nan
            )
            if np.isfinite(share).any():
                highest.append(float(np.nanquantile(share, 0.95)))
        way_high = float(np.quantile(highest, 0.9)) if highest else 0.0
    return LockUp(len(levels), lock_up, rise, float(np.clip(way_high, 0.0, MOST_HEALTHY_WAY)), cutoff_lps)
