"""Values as reported, before they are put on a grid."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.config.model import Role
from steadyhead.readings.rejects import Rejects
from steadyhead.types import FlagArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Series:
    """One role of one station, as reported.

    times_s : shape (n,) never falling; second since 1970 UTC at whose end the value was known
    values : shape (n,) [kPa or L/s]; NaN where the log had a value that was refused
    flags : shape (n,) bits of ``readings.quality``: why a value is NaN or doubtful
    """

    times_s: IntArray
    values: FloatArray
    flags: FlagArray


@dataclass(frozen=True, slots=True)
class StationLog:
    """All series of one station by role, and what was refused on the way."""

    station: str
    series: dict[Role, Series]
    rejects: Rejects
