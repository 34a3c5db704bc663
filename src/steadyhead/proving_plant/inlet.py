"""The main that feeds the station: source pressure, pumps, and the loss on the way."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from steadyhead.proving_plant.noise import Lag, Wander, stream
from steadyhead.types import FloatArray

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class Inlet:
    """Source pressure before the station's own flow draws it down.

    base_kpa : mean [kPa]
    daily_swing_kpa : amplitude of the daily swing; lowest at 08:00 local, when all draw at once [kPa]
    wander_kpa : deviation of a wander with 6 h memory [kPa]
    flutter_kpa : deviation of a wander with 20 s memory [kPa]
    pump_kpa, pump_hours : rise while a pump runs, and its mean cycle; 0 for no pump
    loss : between source and station [kPa per (L/s)^2]
    """

    base_kpa: float = 650.0
    daily_swing_kpa: float = 15.0
    wander_kpa: float = 6.0
    flutter_kpa: float = 0.8
    pump_kpa: float = 0.0
    pump_hours: float = 3.0
    loss: float = 0.04


@dataclass(slots=True)
class SourceMaker:
    """Makes the source pressure second by second."""

    inlet: Inlet
    seed: int
    slow: Wander = field(default_factory=lambda: Wander(6.0 * HOUR_S))
    quick: Wander = field(default_factory=lambda: Wander(20.0))
    beat: Wander = field(default_factory=lambda: Wander(8.0 * HOUR_S))
    pump: Lag = field(default_factory=lambda: Lag(25.0))

    def take(self, stretch: int, local_s: FloatArray) -> FloatArray:
        """Source pressure each second [kPa]; local_s : local wall clock as seconds since 1970-01-01."""
        n = local_s.shape[0]
        p = self.inlet
        swing = -p.daily_swing_kpa * np.cos(2.0 * np.pi * (local_s / HOUR_S - 8.0) / 24.0)
        source = (
            p.base_kpa
            + swing
            + p.wander_kpa * self.slow.take(stream(self.seed, "source", stretch), n)
            + p.flutter_kpa * self.quick.take(stream(self.seed, "flutter", stretch), n)
        )
        if p.pump_kpa > 0.0:
            # Pumps fill and rest in turns that drift: a tank's level decides, not a clock.
            beat = self.beat.take(stream(self.seed, "pump", stretch), n)
            source += self.pump.take(p.pump_kpa * pump_runs(local_s, p.pump_hours, beat))
        return np.asarray(source, dtype=np.float64)


def pump_runs(local_s: FloatArray, cycle_hours: float, beat: FloatArray) -> FloatArray:
    """1 while the pump runs, 0 while it rests; beat shifts the phase, in radians."""
    return np.asarray(np.sin(2.0 * np.pi * local_s / (HOUR_S * cycle_hours) + beat) > 0.0, dtype=np.float64)
