"""Numbers of the profile that the kernels need, and weights of their running means."""

from __future__ import annotations

from typing import Any, NamedTuple, get_type_hints

import numpy as np
from numpy.typing import NDArray

from steadyhead.types import FloatArray

FAST_S = 300.0
WINDOW_S = 900.0
DRIFT_S = 7200.0
CLASS_S = 5400.0
WAY_S = 1800.0
N_FEATURES = 5
N_PAST = 14


class Gains(NamedTuple):
    """Weight of a new tick in each running mean; they depend on the length of a tick alone."""

    fast: float
    window: float
    drift: float
    low_class: float
    moves: float
    flow_slow: float
    lag: float
    spikes: float
    implausible: float
    growth: float
    way_smooth: float
    way: float


def gains(tick_s: float) -> Gains:
    """Weights for ticks of this length."""

    def gain(tau_s: float, least_ticks: float) -> float:
        return float(1.0 - np.exp(-tick_s / max(tau_s, least_ticks * tick_s)))

    return Gains(
        fast=gain(FAST_S, 1.2),
        window=gain(WINDOW_S, 3.0),
        drift=gain(DRIFT_S, 3.0),
        low_class=gain(CLASS_S, 2.0),
        moves=gain(FAST_S, 8.0),
        flow_slow=gain(600.0, 2.0),
        lag=gain(6 * 3600.0, 40.0),
        spikes=gain(6 * 3600.0, 6.0),
        implausible=gain(900.0, 3.0),
        growth=gain(24 * 3600.0, 24.0),
        way_smooth=gain(600.0, 0.7),
        way=gain(WAY_S, 1.5),
    )


class Limits(NamedTuple):
    """Numbers of the profile that the kernels need; filled by ``profile.limits``."""

    set_kpa: float
    kv_full: float
    kv_reached: float
    kv_typical: float
    min_differential_kpa: float
    near_zero_lps: float
    lock_rise_kpa: float
    lock_known: bool
    way_high: float
    tick_kpa: float
    move_kpa: float
    still_limit_s: float
    highest_lps: float
    daily_mean_lps: float
    change_lps: float
    has_flow: bool
    has_inlet: bool
    on_change: bool
    averaged: bool
    fine: bool
    step_s: float
    drift_share: float
    enter_share: float
    hunting_share: float
    scatter_share: float
    slow_share: float
    slow_judged: bool
    night_zero: bool
    inlet_usual_kpa: float
    gains: Gains


def _record(kind: type) -> np.dtype[Any]:
    plain = {float: "f8", bool: "?"}
    fields = [(name, plain.get(field) or _record(field)) for name, field in get_type_hints(kind).items()]
    return np.dtype(fields)


LIMITS = _record(Limits)
"""The same as a record: it goes to each of the many small kernels as one pointer, not number by number."""


def as_record(limits: Limits) -> NDArray[Any]:
    """Limits as ``judge.advance`` takes them: a record array of one."""
    return np.array([tuple(limits)], dtype=LIMITS)


class Familiar(NamedTuple):
    """The learned joint distribution of hourly features; ``limit`` 0 while none was learned.

    Kept apart from ``Limits``: a tuple that holds arrays costs far more to hand to each small kernel.
    """

    center: FloatArray
    scale: FloatArray
    precision: FloatArray
    limit: float
