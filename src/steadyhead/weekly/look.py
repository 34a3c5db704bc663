"""A station's readings looked at once: ticks, what was expected of each, and what the station was doing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steadyhead.config.model import Station
from steadyhead.desk.measures import BACK_S
from steadyhead.profile.expect import around, week_quarter
from steadyhead.profile.limits import arm_kpa, spike_kpa
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.readings.ticks import condense, new_memory
from steadyhead.types import BoolArray, FloatArray

STARVED_LOSS = 1.25  # as conditions.scene has it: margin on the loss of the open valve
STARVED_OF_SET = 0.02
QUARTERS_A_DAY = 96
NO_PROFILE = "nothing was learned of this station yet"


@dataclass(frozen=True, slots=True)
class Look:
    """Ticks of a span, each array of shape (n_ticks,); pressures in kPa, flow in L/s, NaN where unknown.

    from_s, to_s : the span asked for; known_to_s : its elapsed part ends here
    times_s : of the ticks' last samples; hour : local hour of the day, 0 to just below 24
    expected_kpa, set_kpa : outlet expected, and learned set of the hour; NaN without a profile
    shut : no flow; starved : too little inlet; works : regulating, and in a state to be judged
    """

    station: Station
    profile: Profile | None
    readings: Readings
    from_s: int
    to_s: int
    known_to_s: int
    tick_s: int
    times_s: FloatArray
    outlet_kpa: FloatArray
    inlet_kpa: FloatArray
    flow_lps: FloatArray
    hour: FloatArray
    expected_kpa: FloatArray
    set_kpa: FloatArray
    shut: BoolArray
    starved: BoolArray
    works: BoolArray

    def __len__(self) -> int:
        return int(self.times_s.shape[0])

    @property
    def has_flow(self) -> bool:
        """Whether any flow is known."""
        return bool(np.isfinite(self.flow_lps).any())

    @property
    def has_inlet(self) -> bool:
        """Whether any inlet is known."""
        return bool(np.isfinite(self.inlet_kpa).any())

    @property
    def cutoff_lps(self) -> float:
        """Flow at or below which the station counts as shut."""
        if self.profile is not None:
            return self.profile.lock_up.cutoff_lps
        return float(self.station.meter_cutoff_lps or 0.0)

    @property
    def hours(self) -> float:
        """Length of a tick in hours."""
        return self.tick_s / 3600.0

    def between(self, from_s: int, to_s: int) -> Look:
        """The look at a part of the span."""
        first, last = (int(n) for n in np.searchsorted(self.times_s, [from_s, to_s]))
        cut = slice(first, last)
        return Look(
            self.station, self.profile, self.readings.between(from_s, to_s), from_s, to_s,
            max(from_s, min(to_s, self.known_to_s)), self.tick_s, self.times_s[cut], self.outlet_kpa[cut],
            self.inlet_kpa[cut], self.flow_lps[cut], self.hour[cut], self.expected_kpa[cut],
            self.set_kpa[cut], self.shut[cut], self.starved[cut], self.works[cut],
        )  # fmt: skip


def look_at(readings: Readings, station: Station, profile: Profile | None, known_to_s: int) -> Look:
    """Look at all of the readings; they are not changed. Cut it with ``between``."""
    arm, spike = (arm_kpa(profile), spike_kpa(profile)) if profile is not None else (1.0, 1e9)
    ticks = condense(readings, new_memory(), arm, spike)
    table, n = ticks.table, len(ticks)
    outlet, inlet, flow = (np.array(table[name]) for name in ("outlet_kpa", "inlet_kpa", "flow_lps"))
    hour = week_quarter(ticks.start_s, ticks.tick_s, n, station.time_zone) % QUARTERS_A_DAY / 4.0
    expected = set_kpa = np.full(n, np.nan)
    shut = starved = np.zeros(n, dtype=bool)
    if profile is not None:
        known = around(profile, ticks)
        expected, set_kpa = known[:, 0], known[:, 1]
        starved = _starved(inlet - expected, flow, profile)
    cutoff = profile.lock_up.cutoff_lps if profile is not None else float(station.meter_cutoff_lps or 0.0)
    if profile is None or profile.has_flow:
        shut = flow <= cutoff  # NaN compares false
    works = np.isfinite(outlet) & np.isfinite(expected) & _fed(starved, ticks.tick_s) & ~shut
    times_s = ticks.start_s + ticks.tick_s * np.arange(n, dtype=np.float64)
    return Look(
        station, profile, readings, readings.start_s, readings.end_s, known_to_s, ticks.tick_s, times_s,
        outlet, inlet, flow, hour, expected, set_kpa, shut, starved, works,
    )  # fmt: skip


def _starved(room_kpa: FloatArray, flow: FloatArray, profile: Profile) -> BoolArray:
    """Too little inlet for this flow, as ``conditions.scene`` has it; False where the inlet is not known."""
    loss = (36.0 * np.nan_to_num(np.maximum(flow, 0.0)) / profile.kv.full_m3h) ** 2
    least = STARVED_LOSS * loss + STARVED_OF_SET * profile.set_pressure.typical_kpa
    return np.asarray(room_kpa < np.maximum(least, profile.kv.min_differential_kpa))


def _fed(is_starved: BoolArray, tick_s: int) -> BoolArray:
    """The inlet is high enough, and has been for long enough for the outlet to be back."""
    wait = BACK_S // tick_s
    starved = np.concatenate([np.zeros(wait + 1, dtype=np.int64), np.cumsum(is_starved)])
    return np.asarray(starved[wait + 1 :] == starved[: len(is_starved)])
