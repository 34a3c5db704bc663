"""Learn the set pressure: constant, by schedule, or commanded."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.expect import QUARTERS
from steadyhead.profile.known import Known
from steadyhead.profile.model import SetPressure
from steadyhead.profile.span import Span, thinned
from steadyhead.types import BoolArray, FloatArray

DROP_SHARE = 0.015
LOCK_UP_SHARE = 0.08  # more than any sound lock-up
JUMP_SHARE = 0.025  # droop changes gradually from one quarter hour to the next; a schedule jumps


def learn_set_pressure(span: Span, regulating: BoolArray, known: Known) -> SetPressure:
    """Set pressure of the span, from ticks that regulate."""
    outlet = span.outlet_kpa[regulating]
    typical = float(np.median(thinned(outlet)))
    if np.isfinite(span.command_kpa).any() and np.isfinite(span.command_kpa[regulating]).mean() > 0.5:
        offset = float(np.nanmedian(outlet - span.command_kpa[regulating]))
        return SetPressure(typical, "commanded", (), offset)
    if known.schedule_kpa:
        declared = np.asarray(known.schedule_kpa)
        offset = float(np.median(outlet - declared[span.quarter[regulating]]))
        return SetPressure(typical, "schedule declared", tuple(declared + offset))
    slots = _medians_by_quarter(span, regulating)
    if slots is None:
        return SetPressure(typical, "learned")
    jumps = np.abs(np.diff(slots, append=slots[:1]))
    if jumps.max() > JUMP_SHARE * typical and jumps.max() > 6.0 * np.median(jumps):
        return SetPressure(typical, "schedule learned", tuple(float(v) for v in slots))
    return SetPressure(typical, "learned")


def set_now_kpa(span: Span, set_pressure: SetPressure) -> FloatArray:
    """Set pressure of each tick, shape (n_ticks,); NaN where the command is missing."""
    if set_pressure.source == "commanded":
        return span.command_kpa + set_pressure.command_offset_kpa
    if set_pressure.slots_kpa:
        return np.asarray(set_pressure.slots_kpa)[span.quarter]
    return np.broadcast_to(set_pressure.typical_kpa, len(span))


def hourly_expectation(span: Span, keep: BoolArray, set_pressure: SetPressure) -> SetPressure:
    """For a station without a meter: the outlet by quarter hour carries the droop that flow would explain."""
    slots = _medians_by_quarter(span, keep)
    if set_pressure.source != "learned" or slots is None:
        return set_pressure
    smooth = (np.roll(slots, 1) + slots + np.roll(slots, -1)) / 3
    return SetPressure(set_pressure.typical_kpa, "learned", tuple(float(v) for v in smooth))


def _medians_by_quarter(span: Span, keep: BoolArray) -> np.ndarray | None:
    """Median outlet by quarter hour of the week: working days pooled, Saturday, Sunday.

    A quarter of the day in which the station is hardly ever open, and locked where no lock-up of the day's
    set would be, takes that level; one that was never seen open takes the last one before it. None if fewer
    than half were seen.
    """
    rows = thinned(np.flatnonzero(keep))
    quarter = span.quarter[rows]
    day, slot = quarter // 96, quarter % 96
    kind = np.where(day < 5, 0, day - 4)
    outlet = span.outlet_kpa[rows]
    all_days = _group_medians(outlet, slot, 96)
    shut = thinned(np.flatnonzero(span.keep & ~keep))
    shut_slot = span.quarter[shut] % 96
    n_open, n_shut = np.bincount(slot, minlength=96), np.bincount(shut_slot, minlength=96)
    locked = _group_medians(span.outlet_kpa[shut], shut_slot, 96)
    typical = float(np.median(outlet))
    is_shut = n_shut > 3 * n_open
    with np.errstate(invalid="ignore"):
        low = locked < (1 - DROP_SHARE) * typical
        high = locked > (1 + LOCK_UP_SHARE) * typical
    mostly_shut = (is_shut & low) | _set_higher(locked, is_shut, high, JUMP_SHARE * typical)
    all_days = np.where(mostly_shut, locked, all_days)
    seen = np.isfinite(all_days)
    if seen.mean() < 0.5:
        return None
    latest = np.maximum.accumulate(np.where(seen, np.arange(96), -1))
    latest = np.where(latest < 0, np.flatnonzero(seen)[-1], latest)
    all_days = all_days[latest]
    result = np.empty(QUARTERS)
    for which, days in ((0, range(5)), (1, (5,)), (2, (6,))):
        of_kind = kind == which
        medians = _group_medians(outlet[of_kind], slot[of_kind], 96)
        medians = np.where(np.isnan(medians) | mostly_shut, all_days, medians)
        for d in days:
            result[d * 96 : (d + 1) * 96] = medians
    return result


def _set_higher(locked: FloatArray, is_shut: BoolArray, high: BoolArray, jump_kpa: float) -> BoolArray:
    """Closed slots that a schedule holds higher: it jumps, where a leak lifts the outlet step by step."""
    found = np.zeros(len(locked), dtype=np.bool_)
    for slot in range(2 * len(locked)):  # twice, for a night that begins before midnight
        i = slot % len(locked)
        at_once = not is_shut[i - 1] or bool(found[i - 1]) or locked[i] - locked[i - 1] > jump_kpa
        found[i] = is_shut[i] and high[i] and at_once
    return found


def _group_medians(values: np.ndarray, group: np.ndarray, n: int) -> np.ndarray:
    return group_quantile(values, group, n, 0.5)


def group_quantile(values: np.ndarray, group: np.ndarray, n: int, q: float) -> np.ndarray:
    """Quantile ``q`` of each group 0..n-1, the lower where it falls between two; NaN for an empty group."""
    counts = np.bincount(group, minlength=n)
    # on 16 bits numpy sorts by counting, which is far quicker than by comparing
    by_group = values[np.argsort(group.astype(np.uint16), kind="stable")]
    result = np.full(n, np.nan)
    first = 0
    for i, count in enumerate(counts):
        if count:
            own = by_group[first : first + count]
            at = int(q * (count - 1))
            own.partition(at)
            result[i] = own[at]
            first += count
    return result
