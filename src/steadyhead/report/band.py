"""What was learned of a station, laid on the grid of the readings for drawing."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.errors import ReadingsError
from steadyhead.readings.frame import Readings
from steadyhead.types import FloatArray


@dataclass(frozen=True, slots=True)
class Band:
    """Learned normal beside the readings of one station.

    expected_kpa, low_kpa, high_kpa : shape (n_readings,), outlet expected at each row and the limits of what
        was learned as usual [kPa]; NaN where nothing is expected
    droop : flow [L/s] and outlet [kPa] of the learned droop curve, two arrays of one shape, flow rising
    lock_up_kpa : learned outlet when shut;  kv_full_m3h : Kv fully open
    """

    expected_kpa: FloatArray
    low_kpa: FloatArray
    high_kpa: FloatArray
    droop: tuple[FloatArray, FloatArray] | None = None
    lock_up_kpa: float | None = None
    kv_full_m3h: float | None = None

    def check(self, readings: Readings) -> None:
        """Raise ReadingsError if the band does not lie on the grid of the readings."""
        for name in ("expected_kpa", "low_kpa", "high_kpa"):
            shape = getattr(self, name).shape
            if shape != (len(readings),):
                raise ReadingsError(
                    f"{readings.station}: band {name} has shape {shape}, readings ({len(readings)},); "
                    "make the band on the grid of the readings"
                )

    def rows(self, first: int, last: int) -> Band:
        """The band of rows ``first`` to ``last`` (not included)."""
        return Band(
            self.expected_kpa[first:last],
            self.low_kpa[first:last],
            self.high_kpa[first:last],
            self.droop,
            self.lock_up_kpa,
            self.kv_full_m3h,
        )
