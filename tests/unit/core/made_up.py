"""Made-up logs for the rules: they have no physics, so that one thing differs at a time."""

from __future__ import annotations

import numpy as np

from steadyhead.engine import Change, State, step
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings, regular

DAY = 1440
SET_KPA, LOCK_KPA, INLET_KPA = 400.0, 406.0, 650.0
AT = DAY + 600  # minute at which the outlet begins to stand off
SHUT_FROM, SHUT_TO = 60, 300  # minutes of the day without demand, where a station shuts


def open_log(
    days: int, seed: int, away: np.ndarray | float = 0.0, usual: np.ndarray | float = 1.0
) -> Readings:
    """A reading a minute of a station that never shuts.

    away : share of set, added to the outlet
    usual : share of the usual flow that the meter shows
    """
    rng = np.random.default_rng(seed)
    n = days * DAY
    flow = 10 + 4 * np.sin((np.arange(n) % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.2, n)
    outlet = SET_KPA * (1.0 + away) - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    inlet = INLET_KPA + rng.normal(0, 1.0, n)
    return regular("made_up", 0, 60, outlet, inlet_kpa=inlet, flow_lps=flow * usual)


def shut_log(days: int, seed: int, step_min: int = 1, count_kpa: float = 0.0) -> Readings:
    """A station that shuts every night and holds its lock-up pressure; ``count_kpa``: resolution."""
    rng = np.random.default_rng(seed)
    minute = np.arange(0, days * DAY, step_min)
    shut = is_shut(minute)
    flow = 10 + 4 * np.sin((minute % DAY / 60 - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, len(minute))
    flow = np.where(shut, 0.0, flow)
    outlet = np.where(shut, LOCK_KPA, SET_KPA - 0.4 * (flow - 10)) + rng.normal(0, 0.3, len(minute))
    if count_kpa:
        outlet = np.round(outlet / count_kpa) * count_kpa
    return regular(
        "made_up", 0, 60 * step_min, outlet, inlet_kpa=np.full(len(minute), INLET_KPA), flow_lps=flow
    )


def is_shut(minute: np.ndarray) -> np.ndarray:
    return (minute % DAY >= SHUT_FROM) & (minute % DAY < SHUT_TO)


def with_outlet(readings: Readings, outlet: np.ndarray, flow: np.ndarray | None = None) -> Readings:
    return regular(
        "made_up", 0, readings.step_s, outlet, inlet_kpa=readings.inlet_kpa,
        flow_lps=readings.flow_lps if flow is None else flow,
    )  # fmt: skip


def without_meter(readings: Readings) -> Readings:
    return regular("made_up", 0, readings.step_s, readings.outlet_kpa, inlet_kpa=readings.inlet_kpa)


def raised(readings: Readings, profile: Profile) -> list[Change]:
    return [c for c in step(State(), readings, profile) if c.is_raised]
