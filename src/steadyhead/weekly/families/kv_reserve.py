"""How much of the open valve is left when demand is highest."""

from __future__ import annotations

import numpy as np

from steadyhead.hydraulics import effective_kv
from steadyhead.profile.kv import LEAST_DROP_KPA
from steadyhead.profile.model import Profile
from steadyhead.weekly.look import NO_PROFILE, Look
from steadyhead.weekly.model import Value

PEAK_SHARE = 0.02  # of the minutes, those with the highest flow: 3 h 20 min of a week (our own)
LEAST_TICKS = 4
UNKNOWN_ABOVE = 1e8  # a Kv that was never learned is set to a number no valve reaches


def learned_reserve(profile: Profile) -> float | None:
    """Reserve at the highest Kv met while learning."""
    if not (profile.has_flow and profile.has_inlet) or not 0.0 < profile.kv.full_m3h < UNKNOWN_ABOVE:
        return None
    return 1.0 - profile.kv.reached_m3h / profile.kv.full_m3h


def kv_reserve(look: Look) -> dict[str, Value]:
    """Reserve at peak demand."""
    return {"kv_reserve": _reserve(look)}


def _reserve(look: Look) -> Value:
    if look.profile is None:
        return Value(None, NO_PROFILE)
    if not look.has_flow:
        return Value(None, "no flow is measured")
    if not look.has_inlet:
        return Value(None, "no inlet is measured")
    full = look.profile.kv.full_m3h
    if not 0.0 < full < UNKNOWN_ABOVE:
        return Value(None, "the Kv of the open valve is not known")
    drop = look.inlet_kpa - look.outlet_kpa
    usable = np.flatnonzero(np.isfinite(look.flow_lps) & (drop > LEAST_DROP_KPA))
    usable = usable[look.flow_lps[usable] > look.cutoff_lps]
    if usable.size < LEAST_TICKS / PEAK_SHARE:
        return Value(None, "flow, inlet and outlet are known together too seldom")
    flow = look.flow_lps[usable]
    peak = usable[flow >= np.quantile(flow, 1.0 - PEAK_SHARE)]
    kv = effective_kv(look.flow_lps[peak], look.inlet_kpa[peak], look.outlet_kpa[peak])
    note = "Kv of the open valve is estimated" if look.profile.kv.full_source == "estimated" else None
    return Value(1.0 - float(np.median(kv)) / full, note=note)
