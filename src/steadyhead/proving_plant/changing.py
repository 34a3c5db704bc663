"""What can change while a scenario runs: one column each, one row per minute.

Faults and events write here; the kernel reads one row per minute and nothing else of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steadyhead.types import FloatArray

COLUMNS = (
    "spring_set_kpa",
    "feed",
    "pilot",
    "pilot_leak",
    "opening_needle",
    "closing_needle",
    "tear",
    "lift_low",
    "lift_high",
    "friction_static_kpa",
    "friction_moving_kpa",
    "seat_kv_m3h",
    "air_share",
    "sense_lag_s",
    "screen_loss",
    "hand_bypass_kv_m3h",
    "orifice_lps",
    "thermal_lps",
    "neighbour_kpa",
    "bypass_set_kpa",
)
"""feed, pilot, needles, tear: L/s at 1 kPa. screen_loss: kPa per (L/s)^2. air_share: of the stroke volume.
orifice_lps: a hole in the district, flow at the reference pressure."""

(
    SPRING_SET,
    FEED,
    PILOT,
    PILOT_LEAK,
    OPENING_NEEDLE,
    CLOSING_NEEDLE,
    TEAR,
    LIFT_LOW,
    LIFT_HIGH,
    FRICTION_STATIC,
    FRICTION_MOVING,
    SEAT_KV,
    AIR,
    SENSE_LAG,
    SCREEN_LOSS,
    HAND_BYPASS_KV,
    ORIFICE,
    THERMAL,
    NEIGHBOUR,
    BYPASS_SET,
) = range(len(COLUMNS))


@dataclass(slots=True)
class Day:
    """Everything that drives one stretch of the plant, usually a day.

    start_s : seconds since 1970-01-01 UTC
    minutes : shape (n_minutes, n_columns), see COLUMNS
    set_kpa : shape (n_minutes,) outlet the station is meant to hold [kPa], before any fault
    demand_lps, source_kpa : shape (60 * n_minutes,) nominal demand and source pressure, each second
    """

    start_s: int
    minutes: FloatArray
    set_kpa: FloatArray
    demand_lps: FloatArray
    source_kpa: FloatArray

    @property
    def minutes_s(self) -> FloatArray:
        """Start of each minute, seconds since 1970-01-01 UTC."""
        return self.start_s + 60.0 * np.arange(self.minutes.shape[0], dtype=np.float64)

    @property
    def seconds_s(self) -> FloatArray:
        """Each second, seconds since 1970-01-01 UTC."""
        return self.start_s + np.arange(self.demand_lps.shape[0], dtype=np.float64)
