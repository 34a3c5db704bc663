"""What a name is judged by: dimensionless numbers of the scene, the claims, the memory and the station.

Shares of set, of the way from lock-up to the inlet, of the Kv shown; ratios as logarithms; times in hours on
a logarithmic scale; each mean of the last hours also as its distance from what is usual at this very station,
in its own spreads. NaN where the station has nothing to say.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from steadyhead.conditions.base import INDEX
from steadyhead.conditions.scene import transition
from steadyhead.conditions.scene.numbers import N_PAST
from steadyhead.conditions.scene.past import PAST_NAMES
from steadyhead.conditions.sensor_fault import KIND_NAMES
from steadyhead.engine import Change
from steadyhead.profile.model import Profile
from steadyhead.types import CONDITIONS, FloatArray

FARTHEST = 30.0  # spreads
LARGEST = 1e6
LEAST_SPREAD = 0.004  # of set, or of a logarithm: no instrument of a station is better
_OVER = ("2 h", "12 h", "48 h")
_AS_THEY_ARE = (
    "departure",
    "fast",
    "drift",
    "low_class",
    "fixed",
    "fixed_now",
    "is_fixed",
    "is_regulating",
    "with_flow",
    "with_inlet",
    "way",
    "night_way",
    "near_zero",
    "quiet",
    "wide",
    "starved",
    "elsewhere",
    "growth",
    "novel",
    "novel_hours",
    "zero_share",
    "spike_rate",
    "implausible_rate",
    "cycles",
    "past_high",
    "past_low",
    "past_swing",
)
_TIMES_S = (
    "missing_s",
    "zero_s",
    "shut_s",
    "busy_s",
    "short_s",
    "fall_held_s",
    "set_still_s",
    "lean_s",
    "still_outlet_s",
    "still_inlet_s",
    "still_flow_s",
    "drift_age_s",
)


def _hours(seconds: float) -> float:
    return math.log1p(max(seconds, 0.0) / 3600.0) if math.isfinite(seconds) else 9.0


def _log(ratio: float) -> float:
    return min(max(math.log(ratio), -6.0), 6.0) if ratio > 0 else math.nan


def _ratio(one: float, other: float) -> float:
    return one / other if other else math.nan


def features(change: Change, profile: Profile) -> dict[str, float]:
    """Every feature by its name, at the moment of a change; the names are the same for every station."""
    s, held = change.scene, change.all_held
    set_kpa, kv, rhythm = profile.set_pressure.typical_kpa, profile.kv, profile.rhythm
    at_s, reached = float(change.at_s), profile.kv.reached_m3h
    x = {name: float(s[name]) for name in _AS_THEY_ARE}
    x |= {name: _hours(float(s[name])) for name in _TIMES_S}
    outlet, inlet, flow = float(s["outlet_kpa"]), float(s["inlet_kpa"]), float(s["flow_lps"])
    expected, lock, near = float(s["expected_kpa"]), float(s["lock_kpa"]), float(s["neighbour_kpa"])
    small_lps = 0.25 * rhythm.daily_mean_lps + 0.01
    x |= {
        "inlet over usual": (inlet - profile.droop.inlet_kpa) / set_kpa,
        "inlet ratio": _log(_ratio(inlet, profile.droop.inlet_kpa)),
        "differential": (inlet - outlet) / set_kpa,
        "way to inlet": _ratio(outlet - expected, inlet - expected),
        "outlet ratio": _log(_ratio(outlet, expected)),
        "over lock-up": (outlet - lock) / set_kpa,
        "over neighbour": (outlet - near) / set_kpa,
        "flow for the hour": _log((max(flow, 0.0) + small_lps) / (float(s["flow_usual_lps"]) + small_lps)),
        "flow over high": _log((max(flow, 0.0) + small_lps) / (float(s["flow_high_lps"]) + small_lps)),
        "flow over highest": _log((max(flow, 0.0) + small_lps) / (rhythm.highest_lps + small_lps)),
        "opening": _ratio(float(s["kv"]), reached),
        "opening over need": _log(_ratio(float(s["kv"]), float(s["kv_need"]))),
        "opening over full": _ratio(float(s["kv"]), kv.full_m3h),
        "movement": _log(_ratio(float(s["move_kpa"]) + 0.01, profile.scatter.move_kpa + 0.01)),
        "movement of set": _log(float(s["move_kpa"]) / set_kpa + 1e-5),
        "inlet moves": _log(float(s["inlet_move_ratio"]) + 1e-3),
        "swing": float(s["swing_kpa"]) / set_kpa,
        "period of step": _log(_ratio(float(s["period_s"]), float(profile.step_s))),
        "period": _log(float(s["period_s"])),
        "slow": _ratio(float(s["slow_share"]), profile.thresholds.slow_share),
        "way rate": 3600.0 * float(s["way_rate"]),
        "drift off": _hours(at_s - abs(float(s["drift_off_s"]))) if s["drift_off_s"] else -1.0,
        "restless": math.sqrt(max(float(s["u_o"]), 0.0)) / set_kpa,
        "even": math.sqrt(max(float(s["u_x"]), 0.0)),
        "sag at one opening": _ratio(float(s["sag_kv_var"]), float(s["all_kv_var"])),
        "below": _ratio(float(s["s_nn"]), float(s["s_rr"])),
        "demand leads": _ratio(float(s["s_rz"]), math.sqrt(float(s["s_rr"]) * float(s["s_zz"]))),
        "hour": float(s["hour_local"]),
        "near set": abs(inlet - set_kpa) / set_kpa,
    }
    for name, level in (("fast", float(s["fast"])), ("drift", float(s["drift"]))):
        is_there = math.isfinite(level) and level != 0.0
        took_s, age_s, moved, before = transition(s, level) if is_there else (math.nan,) * 4
        x[f"{name} took"] = _hours(took_s)
        x[f"{name} age"] = _hours(age_s)
        x[f"{name} moved"] = min(moved, 5.0)
        x[f"{name} before"] = before
    for name in CONDITIONS:
        own = held[INDEX[name]]
        x[f"claim {name}"] = _hours(float(own["held_s"]))
        x[f"stands {name}"] = float(own["stands"])
        x[f"raised {name}"] = _hours(at_s - float(own["raised_s"])) if own["active"] > 0 else -1.0
    hunting, sensor = held[INDEX["hunting"]], held[INDEX["sensor_fault"]]
    x["counted"] = float(hunting["kind"]) if hunting["held_s"] > 0 else -1.0
    for number, kind in enumerate(KIND_NAMES):
        x[f"sensor {kind}"] = float(sensor["held_s"] > 0 and int(sensor["kind"]) == number)
    x["unfamiliar kind"] = float(held[INDEX["unfamiliar"]]["kind"])
    _remembered(x, s, profile)
    return x | _station(profile)


def _remembered(x: dict[str, float], s: Any, profile: Profile) -> None:
    usual = profile.usual
    past, n = s["past"], s["past_n"]
    for i in range(N_PAST):
        for h, over in enumerate(_OVER):
            value = float(past[3 * i + h]) if n[i] > 0 else math.nan
            x[f"{PAST_NAMES[i]}, {over}"] = value
            if usual is not None:
                off = (value - usual.center[i]) / max(usual.spread[i], LEAST_SPREAD)
                x[f"{PAST_NAMES[i]}, {over}, own"] = min(max(off, -FARTHEST), FARTHEST)
            else:
                x[f"{PAST_NAMES[i]}, {over}, own"] = math.nan


def _station(p: Profile) -> dict[str, float]:
    """What kind of station and log it is."""
    set_kpa = p.set_pressure.typical_kpa
    return {
        "has flow": float(p.has_flow),
        "has inlet": float(p.has_inlet),
        "step": _log(float(p.step_s)),
        "averaged": float(p.averaged),
        "on change": float(p.on_change),
        "closes": float(p.lock_up.closed_nights > 0),
        "scheduled": float(p.set_pressure.source != "learned"),
        "enter": p.thresholds.enter_share,
        "drift limit": p.thresholds.drift_share,
        "swing limit": p.thresholds.hunting_share,
        "scatter limit": p.thresholds.scatter_share,
        "tick scatter": p.scatter.tick_kpa / set_kpa,
        "usual movement": p.scatter.move_kpa / set_kpa,
    }


def vector(change: Change, profile: Profile, names: tuple[str, ...]) -> FloatArray:
    """The features of these names, in their order, shape (n,); NaN for what has no bounds."""
    found = features(change, profile)
    x = np.array([found[name] for name in names], dtype=np.float64)
    x[~(np.abs(x) < LARGEST)] = np.nan
    return x
