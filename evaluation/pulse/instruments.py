"""From what was so to what was sent: transmitter, converter, export unit, reporting, lost and bad rows."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from steadyhead import units
from steadyhead.types import BoolArray, FloatArray, IntArray

Rng = np.random.Generator
# kPa or L/s of the smallest figure an export shows; None where it shows the converter's own steps
PRESSURE_EXPORTS = {
    "0.1 psi": 0.1 * units.PSI_KPA,
    "1 psi": units.PSI_KPA,
    "0.1 m": 0.980665,
    "0.01 bar": 1.0,
    "0.1 bar": 10.0,
    "1 kPa": 1.0,
    "as is": 0.0,
}
_PRESSURE_ODDS = (0.2, 0.05, 0.25, 0.15, 0.02, 0.13, 0.2)
FLOW_EXPORTS = {
    "1 gpm": units.US_GALLON_L / 60,
    "1 m3/h": 1 / 3.6,
    "0.1 m3/h": 0.1 / 3.6,
    "0.1 L/s": 0.1,
    "0.01 L/s": 0.01,
    "as is": 0.0,
}


@dataclass(frozen=True)
class Chain:
    """One signal's way: gain, offset, noise, clipped to [0, span], converter's steps, export's steps."""

    span: float
    bits: int
    gain: float
    offset: float
    noise: float
    export: float

    def read(self, rng: Rng, value: FloatArray) -> FloatArray:
        """What the export shows for these true values, shape as given."""
        seen = value * self.gain + self.offset + self.noise * rng.normal(size=len(value))
        tick = self.span / (2**self.bits - 1)
        seen = np.round(np.clip(seen, 0, self.span) / tick) * tick
        return np.round(seen / self.export) * self.export if self.export else seen


def pressure_chain(rng: Rng, highest_kpa: float, export: float) -> Chain:
    """A transmitter whose span is a usual one above the highest pressure."""
    spans = np.array([600.0, 1000, 1600, 2000, 2500, 4000, 6000])
    fits = spans[spans > highest_kpa * 1.1]
    span = float(fits[min(int(rng.integers(0, 2)), len(fits) - 1)]) if len(fits) else 6000.0
    bits = int(rng.choice([10, 12, 12, 14]))
    noise = span * float(rng.choice([0.0, 0.0002, 0.0005, 0.001]))
    return Chain(span, bits, 1 + rng.normal(0, 0.003), rng.normal(0, 0.002) * span, noise, export)


def flow_chain(rng: Rng, highest_lps: float) -> Chain:
    """A meter with a span some way over the highest flow."""
    span = highest_lps * rng.uniform(1.3, 4)
    possible = [e for e in FLOW_EXPORTS.values() if e < highest_lps / 15]
    export = float(rng.choice(possible)) if possible else 0.0
    return Chain(
        span,
        int(rng.choice([10, 12, 16])),
        1 + rng.normal(0, 0.015),
        0.0,
        span * rng.choice([0, 0.0003, 0.001]),
        export,
    )


def pressure_export(rng: Rng) -> float:
    """Smallest figure of one site's export of pressures [kPa]."""
    return float(rng.choice(list(PRESSURE_EXPORTS.values()), p=_PRESSURE_ODDS))


def sampled(value: FloatArray, every: int, how: str) -> FloatArray:
    """One value per step from ``every`` finer ones: "instant" (last), "mean", "min"; shape (n // every,)."""
    rows = value[: len(value) // every * every].reshape(-1, every)
    if how == "mean":
        return rows.mean(axis=1)
    if how == "min":
        return rows.min(axis=1)
    return rows[:, -1].copy()


@numba.njit(cache=True)
def on_deadband(times: IntArray, values: FloatArray, band: float, heartbeat_s: int) -> BoolArray:
    """Which values are reported if one is on leaving the last by more than the band, or at the heartbeat."""
    keep = np.zeros(len(values), dtype=np.bool_)
    last, last_at = np.nan, -(1 << 60)
    for i in range(len(values)):
        v = values[i]
        changed = np.isnan(v) != np.isnan(last) or abs(v - last) > band
        if changed or times[i] - last_at >= heartbeat_s or i == 0:
            keep[i] = True
            last, last_at = v, times[i]
    return keep


@numba.njit(cache=True)
def on_slope(times: IntArray, values: FloatArray, band: float, heartbeat_s: int) -> BoolArray:
    """Which values are reported if one is when no straight line from the last holds all since to the band."""
    keep = np.zeros(len(values), dtype=np.bool_)
    a, lo, hi = 0, -np.inf, np.inf
    keep[0] = True
    for i in range(1, len(values)):
        v, va = values[i], values[a]
        if np.isnan(v) or np.isnan(va) or times[i] - times[a] >= heartbeat_s:
            if not (np.isnan(v) and np.isnan(va)) or times[i] - times[a] >= heartbeat_s:
                keep[i] = True
                a, lo, hi = i, -np.inf, np.inf
            continue
        span = times[i] - times[a]
        lo = max(lo, (v - band - va) / span)
        hi = min(hi, (v + band - va) / span)
        if lo > hi:
            a = max(i - 1, a)
            keep[a] = True
            if a == i - 1:
                span = times[i] - times[a]
                lo, hi = (v - band - values[a]) / span, (v + band - values[a]) / span
    return keep
