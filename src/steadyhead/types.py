"""Array aliases used across the package, and the names of the conditions."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
FlagArray = NDArray[np.uint16]

Condition = Literal[
    "drift",
    "creep",
    "failure_to_open",
    "hunting",
    "failure_to_close",
    "slow_response",
    "set_changed",
    "inlet_starved",
    "excess_demand",
    "sensor_fault",
    "telemetry_loss",
    "held_shut",
    "unfamiliar",
]

VALVE_CONDITIONS: tuple[Condition, ...] = ("drift", "creep", "failure_to_open", "hunting")
"""The four conditions the project exists for."""

OTHER_STATES: tuple[Condition, ...] = (
    "failure_to_close",
    "slow_response",
    "set_changed",
    "inlet_starved",
    "excess_demand",
    "sensor_fault",
    "telemetry_loss",
    "held_shut",
    "unfamiliar",
)
"""Named so that nobody is sent to the wrong place."""

CONDITIONS: tuple[Condition, ...] = VALVE_CONDITIONS + OTHER_STATES
