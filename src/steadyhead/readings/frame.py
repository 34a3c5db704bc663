"""The one shape in which readings travel from a feed to the engine."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from steadyhead.errors import ReadingsError
from steadyhead.types import FlagArray, FloatArray, IntArray

CHANNELS = ("inlet_kpa", "outlet_kpa", "flow_lps", "command_kpa", "neighbour_kpa")


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one station on a regular grid, in working units.

    station : name in the registry
    start_s : time of the first row, whole seconds since 1970-01-01 UTC, a multiple of ``step_s``
    step_s : grid step, whole seconds
    inlet_kpa, outlet_kpa : shape (n_readings,), gauge [kPa]; NaN where missing or refused
    flow_lps : shape (n_readings,) [L/s]; all NaN where the station has no meter
    command_kpa : shape (n_readings,) commanded set pressure [kPa]; all NaN where there is none
    neighbour_kpa : shape (n_readings,) highest outlet of the other stations of the zone [kPa]; NaN if none
    flags : shape (n_readings,) bits of ``readings.quality``: why a value was refused or is doubtful

    Row ``i`` holds what was last known in the interval (time_i - step, time_i], so nothing looks ahead.
    """

    station: str
    start_s: int
    step_s: int
    inlet_kpa: FloatArray
    outlet_kpa: FloatArray
    flow_lps: FloatArray
    command_kpa: FloatArray
    neighbour_kpa: FloatArray
    flags: FlagArray = field(repr=False)

    def __post_init__(self) -> None:
        n = self.outlet_kpa.shape
        for name in (*CHANNELS, "flags"):
            if getattr(self, name).shape != n:
                raise ReadingsError(
                    f"{self.station}: {name} has shape {getattr(self, name).shape}, outlet_kpa {n}; "
                    "give every channel the same length"
                )
        if self.step_s < 1 or self.start_s % self.step_s:
            raise ReadingsError(
                f"{self.station}: start_s {self.start_s} is not a multiple of step_s {self.step_s}; "
                "align the readings to the grid first"
            )

    def __len__(self) -> int:
        return int(self.outlet_kpa.shape[0])

    @property
    def times_s(self) -> IntArray:
        """Times of the rows, shape (n_readings,), seconds since 1970-01-01 UTC."""
        return self.start_s + self.step_s * np.arange(len(self), dtype=np.int64)

    @property
    def end_s(self) -> int:
        """Time just after the last row, seconds since 1970-01-01 UTC."""
        return self.start_s + self.step_s * len(self)

    def rows(self, first: int, last: int) -> Readings:
        """Rows ``first`` to ``last`` (not included), as views of the same memory."""
        return Readings(
            station=self.station,
            start_s=self.start_s + self.step_s * first,
            step_s=self.step_s,
            flags=self.flags[first:last],
            **{name: getattr(self, name)[first:last] for name in CHANNELS},
        )

    def between(self, from_s: int, to_s: int) -> Readings:
        """Rows whose time lies in [from_s, to_s), clipped to what there is."""
        first = min(max(0, -(-(from_s - self.start_s) // self.step_s)), len(self))
        last = min(max(first, -(-(to_s - self.start_s) // self.step_s)), len(self))
        return self.rows(first, last)


def regular(
    station: str,
    start_s: int,
    step_s: int,
    outlet_kpa: FloatArray,
    *,
    inlet_kpa: FloatArray | None = None,
    flow_lps: FloatArray | None = None,
    command_kpa: FloatArray | None = None,
    neighbour_kpa: FloatArray | None = None,
    flags: FlagArray | None = None,
) -> Readings:
    """Readings from plain arrays that already lie on the grid; channels left out are all NaN."""
    n = outlet_kpa.shape[0]

    def channel(values: FloatArray | None) -> FloatArray:
        return np.full(n, np.nan) if values is None else np.asarray(values, dtype=np.float64)

    return Readings(
        station=station,
        start_s=start_s,
        step_s=step_s,
        outlet_kpa=np.asarray(outlet_kpa, dtype=np.float64),
        inlet_kpa=channel(inlet_kpa),
        flow_lps=channel(flow_lps),
        command_kpa=channel(command_kpa),
        neighbour_kpa=channel(neighbour_kpa),
        flags=np.zeros(n, dtype=np.uint16) if flags is None else flags,
    )
