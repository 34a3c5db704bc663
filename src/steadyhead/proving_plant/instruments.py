"""What the telemetry makes of the true pressures and flow."""

from __future__ import annotations

from dataclasses import dataclass, field

import numba
import numpy as np

from steadyhead.errors import PlantError
from steadyhead.proving_plant.noise import Lag, stream
from steadyhead.types import BoolArray, FloatArray

DAY_S = 86400


@dataclass(frozen=True, slots=True)
class Instruments:
    """Transmitters, meter and logger of a station.

    interval_s : between logged rows [s]; divides a day
    averaged : rows are means of the interval before them, else values at the row's time
    on_change : a value is reported only when it has moved by its deadband or a heartbeat is due
    heartbeat_s : longest silence when on_change
    pressure_deadband_kpa, flow_deadband_lps : when on_change
    pressure_noise_kpa, flow_noise_share : white, per sample
    pressure_lag_s, flow_lag_s : first-order
    pressure_resolution_kpa, flow_resolution_lps : rounding; 0 for none
    outlet_offset_kpa, inlet_offset_kpa : standing errors
    cutoff_lps : the meter reads zero below this
    has_flow, has_inlet, has_command : channels that exist
    gaps_per_week, gap_minutes : short losses of all channels, and their longest
    """

    interval_s: int = 60
    averaged: bool = False
    on_change: bool = False
    heartbeat_s: int = 3600
    pressure_deadband_kpa: float = 2.0
    flow_deadband_lps: float = 0.2
    pressure_noise_kpa: float = 0.25
    flow_noise_share: float = 0.005
    pressure_lag_s: float = 1.0
    flow_lag_s: float = 3.0
    pressure_resolution_kpa: float = 0.1
    flow_resolution_lps: float = 0.01
    outlet_offset_kpa: float = 0.0
    inlet_offset_kpa: float = 0.0
    cutoff_lps: float = 0.05
    has_flow: bool = True
    has_inlet: bool = True
    has_command: bool = False
    gaps_per_week: float = 2.0
    gap_minutes: float = 20.0

    def __post_init__(self) -> None:
        if self.interval_s < 1 or DAY_S % self.interval_s:
            raise PlantError(
                f"interval_s is {self.interval_s}; it has to be a whole number of seconds that divides a day"
            )


@dataclass(slots=True)
class Sampler:
    """Takes one channel from one value a second to one value a row."""

    interval_s: int
    averaged: bool
    lag: Lag
    last_block: float = np.nan

    def take(self, seconds: FloatArray) -> FloatArray:
        """Rows at each multiple of the interval; shape (n_seconds // interval_s,)."""
        lagged = self.lag.take(seconds)
        if not self.averaged or self.interval_s == 1:
            return lagged[:: self.interval_s].copy()
        blocks = lagged.reshape(-1, self.interval_s).mean(axis=1)
        before = lagged[0] if np.isnan(self.last_block) else self.last_block
        self.last_block = float(blocks[-1])
        return np.concatenate(([before], blocks[:-1]))


@dataclass(slots=True)
class Bench:
    """The samplers of all channels, carried from day to day."""

    instruments: Instruments
    samplers: dict[str, Sampler] = field(default_factory=dict)

    def take(self, name: str, seconds: FloatArray) -> FloatArray:
        """Rows of a channel before noise and rounding."""
        i = self.instruments
        if name not in self.samplers:
            lag_s = i.flow_lag_s if name == "flow" else i.pressure_lag_s
            self.samplers[name] = Sampler(i.interval_s, i.averaged, Lag(lag_s))
        return self.samplers[name].take(seconds)


def read_pressure(true_kpa: FloatArray, instruments: Instruments, seed: int, name: str) -> FloatArray:
    """What a pressure transmitter gives for each row [kPa]."""
    rng = stream(seed, f"noise {name}")
    offset = {"outlet": instruments.outlet_offset_kpa, "inlet": instruments.inlet_offset_kpa}.get(name, 0.0)
    noise = instruments.pressure_noise_kpa * rng.standard_normal(true_kpa.shape[0])
    return true_kpa + offset + noise * averaged_noise(instruments)


def read_flow(true_lps: FloatArray, instruments: Instruments, seed: int) -> FloatArray:
    """What the meter gives for each row [L/s]; zero below the cut-off, never negative."""
    rng = stream(seed, "noise flow")
    noise = instruments.flow_noise_share * rng.standard_normal(true_lps.shape[0])
    flow = np.maximum(true_lps * (1.0 + noise * averaged_noise(instruments)), 0.0)
    return np.where(flow < instruments.cutoff_lps, 0.0, flow)


def averaged_noise(instruments: Instruments) -> float:
    """Share of a sample's noise that is left in a row: averaging takes most of it."""
    return float(instruments.interval_s**-0.5) if instruments.averaged else 1.0


def rounded(values: FloatArray, resolution: float) -> FloatArray:
    """Values in whole steps of a resolution; unchanged if it is 0."""
    return np.round(values / resolution) * resolution if resolution > 0.0 else values


def short_gaps(instruments: Instruments, seed: int, n_rows: int) -> BoolArray:
    """True where a row is lost with all its channels."""
    rng = stream(seed, "gaps")
    lost = np.zeros(n_rows, dtype=np.bool_)
    weeks = n_rows * instruments.interval_s / (7.0 * DAY_S)
    for _ in range(int(rng.poisson(instruments.gaps_per_week * weeks))):
        begin = int(rng.integers(0, n_rows))
        length = rng.uniform(1.0, max(instruments.gap_minutes, 1.0)) * 60.0 / instruments.interval_s
        lost[begin : begin + max(1, round(length))] = True
    return lost


@numba.njit(cache=True)  # type: ignore[misc, unused-ignore]
def held_on_change(values: FloatArray, deadband: float, heartbeat_rows: int) -> FloatArray:
    """What a grid holds when only changes of a deadband, or a heartbeat, are reported; NaN is passed on."""
    held = np.empty_like(values)
    last = np.nan
    silent = 0
    for i in range(values.shape[0]):
        value = values[i]
        silent += 1
        if np.isnan(value):
            held[i] = value
            continue
        if np.isnan(last) or abs(value - last) >= deadband or silent >= heartbeat_rows:
            last = value
            silent = 0
        held[i] = last
    return held
