"""The profile as plain numbers for the kernels."""

from __future__ import annotations

import numpy as np

from steadyhead.conditions.scene import N_FEATURES, Familiar, Limits, gains
from steadyhead.profile.model import Profile
from steadyhead.readings.ticks import FINEST_TICK_S, tick_s

ARM_SHARE = 0.006  # half width an oscillation must cross: 1.2 % of set, well below the mild limit of 3 %
ARM_MOVES = 2.5  # and this many times the usual fast movement, so that noise does not cross
ARM_MOST = 0.0125  # but a swing at the mild limit has to cross, even where the span swung like that all along
SPIKE_SHARE = 0.15
SLOWEST_STEP_S = 60  # response is judged at one-minute sampling or finer


def limits(profile: Profile) -> Limits:
    """Kernel numbers of a profile."""
    return Limits(
        set_kpa=profile.set_pressure.typical_kpa,
        kv_full=profile.kv.full_m3h,
        kv_reached=profile.kv.reached_m3h,
        kv_typical=profile.kv.typical_m3h,
        min_differential_kpa=profile.kv.min_differential_kpa,
        near_zero_lps=profile.lock_up.cutoff_lps if profile.has_flow else -1.0,
        lock_rise_kpa=profile.lock_up.rise_kpa,
        lock_known=profile.lock_up.closed_nights > 0,
        way_high=profile.lock_up.way_high,
        tick_kpa=profile.scatter.tick_kpa,
        move_kpa=profile.scatter.move_kpa,
        still_limit_s=profile.scatter.still_limit_s,
        highest_lps=profile.rhythm.highest_lps,
        daily_mean_lps=profile.rhythm.daily_mean_lps,
        change_lps=profile.rhythm.change_lps,
        has_flow=profile.has_flow,
        has_inlet=profile.has_inlet,
        on_change=profile.on_change,
        averaged=profile.averaged,
        fine=profile.step_s < FINEST_TICK_S,
        step_s=float(profile.step_s),
        drift_share=profile.thresholds.drift_share,
        enter_share=profile.thresholds.enter_share,
        hunting_share=profile.thresholds.hunting_share,
        scatter_share=profile.thresholds.scatter_share,
        slow_share=profile.thresholds.slow_share,
        slow_judged=profile.has_flow and profile.step_s <= SLOWEST_STEP_S,
        night_zero=_shut_at_night(profile),
        inlet_usual_kpa=profile.droop.inlet_kpa,
        gains=gains(float(tick_s(profile.step_s))),
    )


def familiar(profile: Profile) -> Familiar:
    """The profile's joint distribution of hourly features, as arrays."""
    novelty = profile.novelty
    if novelty is None:
        return Familiar(np.zeros(N_FEATURES), np.ones(N_FEATURES), np.eye(N_FEATURES), 0.0)
    return Familiar(
        np.asarray(novelty.center),
        np.asarray(novelty.scale),
        np.ascontiguousarray(novelty.precision),
        novelty.limit,
    )


def arm_kpa(profile: Profile) -> float:
    """Half width of the dead zone for counting oscillations [kPa]."""
    set_kpa = profile.set_pressure.typical_kpa
    return min(max(ARM_SHARE * set_kpa, ARM_MOVES * profile.scatter.move_kpa), ARM_MOST * set_kpa)


def spike_kpa(profile: Profile) -> float:
    """Size from which a single sample that returns at once is a spike [kPa]."""
    return max(SPIKE_SHARE * profile.set_pressure.typical_kpa, 12.0 * profile.scatter.move_high_kpa)


def _shut_at_night(profile: Profile) -> bool:
    zero = np.asarray(profile.rhythm.zero_share)
    hours = np.arange(len(zero)) % 24
    return bool(zero[hours < 5].mean() > 0.3) if len(zero) else False
