"""What the outlet does while nobody draws water: lock-up and creep."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steadyhead.profile.lockup import LEAST_CLOSED_S
from steadyhead.weekly.look import NO_PROFILE, Look
from steadyhead.weekly.model import Value

LEAST_ROOM_KPA = 10.0  # of inlet over lock-up; a share of less is noise of two transmitters (our own)


@dataclass(frozen=True, slots=True)
class Closed:
    """One stretch of 20 min or more without flow.

    first, last : ticks of the look, last not included; rise_kpa : median outlet over the learned set
    way : share of the way from learned lock-up to inlet gone at its end, NaN if unknown
    """

    first: int
    last: int
    rise_kpa: float
    way: float


def closed(look: Look) -> dict[str, Value]:
    """Creep and lock-up rise of the span."""
    why_not = _why_not(look)
    periods = [] if why_not is not None else closed_periods(look)
    if why_not is None and not periods:
        why_not = "the flow never stopped for 20 minutes"
    if why_not is not None:
        return dict.fromkeys(("creep_way", "lock_up_rise"), Value(None, why_not))
    ways = [period.way for period in periods if np.isfinite(period.way)]
    n = len(periods)
    note = f"from {n} closed period{'' if n == 1 else 's'}"
    return {
        "creep_way": _creep(look, ways, note),
        "lock_up_rise": Value(float(np.median([period.rise_kpa for period in periods])), note=note),
    }


def _creep(look: Look, ways: list[float], note: str) -> Value:
    if ways:
        return Value(max(0.0, *ways), note=note)
    assert look.profile is not None
    if not look.has_inlet:
        return Value(None, "no inlet is measured")
    if not look.profile.lock_up.closed_nights:
        return Value(None, "it was never seen shut while it was learned")
    return Value(None, "the inlet was hardly above lock-up")


def _why_not(look: Look) -> str | None:
    if look.profile is None:
        return NO_PROFILE
    if not look.profile.has_flow or not look.has_flow:
        return "no flow is measured, so it is not known when the station was shut"
    return None


def closed_periods(look: Look) -> list[Closed]:
    """Stretches without flow, in order of time; only those with an outlet."""
    assert look.profile is not None
    lock_up = look.profile.lock_up
    edges = np.flatnonzero(np.diff(np.concatenate([[0], look.shut.astype(np.int8), [0]])))
    found = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        rise = look.outlet_kpa[first:last] - look.set_kpa[first:last]
        if (last - first) * look.tick_s < LEAST_CLOSED_S or not np.isfinite(rise).any():
            continue
        way = np.nan
        room = look.inlet_kpa[first:last] - look.set_kpa[first:last] - lock_up.rise_kpa
        if lock_up.closed_nights and np.isfinite(room).any() and np.nanmedian(room) > LEAST_ROOM_KPA:
            end = rise[np.isfinite(rise)]
            end = end[-max(1, len(end) // 10) :]
            way = (float(np.median(end)) - lock_up.rise_kpa) / float(np.nanmedian(room))
        found.append(Closed(first, last, float(np.nanmedian(rise)), way))
    return found
