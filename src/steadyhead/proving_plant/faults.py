"""Parts that degrade. Each fault changes the part; what the outlet then does is up to the physics.

Severity runs from 0 (as new) to 1 (as bad as the part gets) and is reached over ``ramp_s``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant.changing import Day
from steadyhead.proving_plant.kernel import STUCK_KPA
from steadyhead.proving_plant.pilot import in_series
from steadyhead.proving_plant.valve import KV_HEAD
from steadyhead.types import FloatArray

if TYPE_CHECKING:
    from steadyhead.proving_plant.scenario import StationDesign


@dataclass(frozen=True, slots=True)
class Fault:
    """A part that starts to fail.

    kind : a key of FAULTS
    begins_s : seconds since 1970-01-01 UTC
    ramp_s : seconds to reach ``severity``; 0 for at once
    severity : in [0, 1]
    """

    kind: str
    begins_s: float
    ramp_s: float = 0.0
    severity: float = 0.5


Apply = Callable[[Day, FloatArray, "StationDesign"], None]


@dataclass(frozen=True, slots=True)
class FaultKind:
    """What a fault does to its part, in words and in the model."""

    meaning: str
    leads_to: tuple[str, ...]
    apply: Apply


def severity_at(fault: Fault, times_s: FloatArray) -> FloatArray:
    """Severity at each time, shape of ``times_s``."""
    since = times_s - fault.begins_s
    grown = np.clip(since / fault.ramp_s, 0.0, 1.0) if fault.ramp_s > 0.0 else np.ones_like(since)
    return np.where(since >= 0.0, fault.severity * grown, 0.0)


def apply_fault(fault: Fault, day: Day, design: StationDesign) -> None:
    """Write the fault into a day's columns."""
    severity = severity_at(fault, day.minutes_s)
    if severity.any():
        FAULTS[fault.kind].apply(day, severity, design)


def _restriction_blocked(day: Day, s: FloatArray, design: StationDesign) -> None:
    left = [in_series(design.pilot.restriction * (1.0 - v) ** 2, design.pilot.strainer) for v in s]
    day.minutes[:, col.FEED] *= np.array(left) / design.pilot.feed


def _restriction_blown_out(day: Day, s: FloatArray, design: StationDesign) -> None:
    wider = [in_series(design.pilot.restriction * (1.0 + 3.2 * v), design.pilot.strainer) for v in s]
    day.minutes[:, col.FEED] *= np.array(wider) / design.pilot.feed


def _strainer_blocked(day: Day, s: FloatArray, design: StationDesign) -> None:
    left = [in_series(design.pilot.restriction, design.pilot.strainer * (1.0 - v) ** 3) for v in s]
    day.minutes[:, col.FEED] *= np.array(left) / design.pilot.feed


def _needle(column: int) -> Apply:
    def apply(day: Day, s: FloatArray, design: StationDesign) -> None:
        del design
        day.minutes[:, column] *= 10.0 ** (-3.5 * s)

    return apply


def _needles_out(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.OPENING_NEEDLE] *= 10.0 ** (2.0 * s)
    day.minutes[:, col.CLOSING_NEEDLE] *= 10.0 ** (2.0 * s)


def _diaphragm_torn(day: Day, s: FloatArray, design: StationDesign) -> None:
    day.minutes[:, col.TEAR] += 0.1 * s * s * design.pilot.feed


def _stem_stuck(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    grip = np.where(s >= 0.95, STUCK_KPA, 200.0 * s)
    day.minutes[:, col.FRICTION_STATIC] += np.where(s > 0.0, grip, 0.0)
    day.minutes[:, col.FRICTION_MOVING] += np.where(s > 0.0, np.minimum(grip, 200.0), 0.0)


def _stem_travel_limited(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.LIFT_HIGH] = np.minimum(day.minutes[:, col.LIFT_HIGH], 1.0 - 0.95 * s)


def _stem_friction(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.FRICTION_STATIC] += 90.0 * s
    day.minutes[:, col.FRICTION_MOVING] += 15.0 * s


def _seat_worn(day: Day, s: FloatArray, design: StationDesign) -> None:
    day.minutes[:, col.SEAT_KV] += design.valve.kv_m3h * 0.003 * s * s


def _seat_debris(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.LIFT_LOW] = np.maximum(day.minutes[:, col.LIFT_LOW], 0.03 * s**3)


def _pilot_seat_leak(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.PILOT_LEAK] += 0.5 * s


def _air_in_chamber(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.AIR] += 0.6 * s
    day.minutes[:, col.SENSE_LAG] *= 1.0 + 8.0 * s


def _spring(sign: float) -> Apply:
    def apply(day: Day, s: FloatArray, design: StationDesign) -> None:
        del design
        day.minutes[:, col.SPRING_SET] *= 1.0 + sign * 0.25 * s

    return apply


def _pilot_blocked(day: Day, s: FloatArray, design: StationDesign) -> None:
    del design
    day.minutes[:, col.PILOT] *= 1.0 - s


def _inlet_screen_choked(day: Day, s: FloatArray, design: StationDesign) -> None:
    # As a Kv in series: a third of the valve's own at 0.5, a fortieth at 0.9.
    day.minutes[:, col.SCREEN_LOSS] += KV_HEAD / design.valve.kv_m3h**2 * (3.0 * s / (1.02 - s)) ** 2


FAULTS: dict[str, FaultKind] = {
    "restriction_blocked": FaultKind(
        "fixed restriction blocks to (1 - s)^2 of its capacity: the chamber fills slowly, at last not at all",
        ("drift", "slow_response", "failure_to_close"),
        _restriction_blocked,
    ),
    "restriction_blown_out": FaultKind(
        "restriction worn or lost, 1 + 3.2 s times its capacity: the pilot cannot drain what enters",
        ("drift", "failure_to_open"),
        _restriction_blown_out,
    ),
    "strainer_blocked": FaultKind(
        "pilot strainer blocks to (1 - s)^3 of its capacity; as a blocked restriction, but late",
        ("drift", "slow_response", "failure_to_close"),
        _strainer_blocked,
    ),
    "opening_needle_in": FaultKind(
        "opening needle screwed in, capacity times 10^(-3.5 s)",
        ("slow_response", "failure_to_open"),
        _needle(col.OPENING_NEEDLE),
    ),
    "closing_needle_in": FaultKind(
        "closing needle screwed in, capacity times 10^(-3.5 s)",
        ("slow_response", "failure_to_close"),
        _needle(col.CLOSING_NEEDLE),
    ),
    "needles_out": FaultKind(
        "both needles too far open, capacity times 10^(2 s)",
        ("hunting",),
        _needles_out,
    ),
    "diaphragm_torn": FaultKind(
        "tear from chamber to outlet side, 0.1 s^2 times the restriction's capacity",
        ("drift", "failure_to_close"),
        _diaphragm_torn,
    ),
    "stem_stuck": FaultKind(
        "grip of 200 s kPa on the diaphragm both ways; from 0.95 the stem cannot move",
        ("slow_response", "failure_to_open", "failure_to_close"),
        _stem_stuck,
    ),
    "stem_travel_limited": FaultKind(
        "lift stops at 1 - 0.95 s of full travel",
        ("failure_to_open",),
        _stem_travel_limited,
    ),
    "stem_friction": FaultKind(
        "stick-slip: 90 s kPa to break loose, 15 s kPa while moving",
        ("hunting", "slow_response", "failure_to_open", "failure_to_close"),
        _stem_friction,
    ),
    "seat_worn": FaultKind(
        "leak past the shut seat, Kv 0.003 s^2 of full Kv",
        ("creep",),
        _seat_worn,
    ),
    "seat_debris": FaultKind(
        "something holds the plug off its seat at a lift of 0.03 s^3",
        ("creep", "failure_to_close"),
        _seat_debris,
    ),
    "pilot_seat_leak": FaultKind(
        "pilot stays 0.5 s open when it should be shut",
        ("creep", "failure_to_close"),
        _pilot_seat_leak,
    ),
    "air_in_chamber": FaultKind(
        "air of 0.6 s stroke volumes in the chamber; also in the sense line, 1 + 8 s times as slow",
        ("hunting", "slow_response"),
        _air_in_chamber,
    ),
    "spring_relaxed": FaultKind(
        "pilot spring loses 25 s per cent of its set",
        ("drift",),
        _spring(-1.0),
    ),
    "spring_creep_up": FaultKind(
        "adjusting screw works inwards: set rises by 25 s per cent",
        ("drift",),
        _spring(1.0),
    ),
    "pilot_blocked": FaultKind(
        "share of the pilot's capacity that is lost",
        ("drift", "failure_to_open"),
        _pilot_blocked,
    ),
    "inlet_screen_choked": FaultKind(
        "screen between inlet gauge and valve chokes; its Kv is (1.02 - s)/(3 s) of the valve's",
        ("failure_to_open",),
        _inlet_screen_choked,
    ),
}
