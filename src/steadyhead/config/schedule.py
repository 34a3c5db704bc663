"""The set pressure a schedule asks for at given times."""

from __future__ import annotations

import numpy as np
import pandas as pd

from steadyhead.config.fields import DAYS
from steadyhead.config.model import SetPressure
from steadyhead.types import FloatArray, IntArray

_DAY_MIN = 1440
_WEEK_MIN = 7 * _DAY_MIN


def declared_set_kpa(set_pressure: SetPressure, times_s: IntArray, time_zone: str) -> FloatArray:
    """Set pressure the registry declares at each time, by the local clock.

    times_s : shape (n,), seconds since 1970 UTC
    time_zone : IANA zone of the schedule's days and times
    Returns shape (n,) [kPa]: the schedule's latest step (the week wraps round), else the nominal
        pressure; NaN where neither is declared.
    """
    if not set_pressure.schedule:
        nominal = set_pressure.nominal_kpa
        return np.full(times_s.shape, np.nan if nominal is None else nominal)
    steps = sorted(
        (DAYS.index(day) * _DAY_MIN + int(step.from_time[:2]) * 60 + int(step.from_time[3:]), n, step.kpa)
        for n, step in enumerate(set_pressure.schedule)
        for day in step.days
    )
    starts_min = np.array([start for start, _, _ in steps])
    pressures_kpa = np.array([kpa for _, _, kpa in steps])
    local = pd.DatetimeIndex(times_s.astype("datetime64[s]"), tz="UTC").tz_convert(time_zone)
    minute = local.day_of_week * _DAY_MIN + local.hour * 60 + local.minute
    latest = np.searchsorted(starts_min, np.asarray(minute) % _WEEK_MIN, side="right") - 1
    return pressures_kpa[latest]  # -1, before the week's first step, is its last one
