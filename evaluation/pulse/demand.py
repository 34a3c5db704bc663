"""How a district draws water: measured rhythms cut up and bent, and made-up ones beside them."""

# ruff: noqa: ARG001 - rhythms share one signature
from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from river.datasets import WaterFlow
from scipy.signal import lfilter

from steadyhead.types import FloatArray, IntArray

GRID_S = 300
Rng = np.random.Generator


@cache
def measured() -> FloatArray:
    """Hourly flow of a real branch main (river's WaterFlow, from Tecnojest s.r.l.), as z-scores.

    Missing hours are filled from the hour of the day; starts at local midnight.
    """
    lines = Path(WaterFlow().path).read_text(encoding="utf-8").splitlines()[1:]
    stamps, values = zip(*(line.split(",") for line in lines if line.strip()), strict=True)
    hours = np.array([np.datetime64(s[:19], "h") for s in stamps]).astype(np.int64)
    first = -(-hours[0] // 24) * 24
    series = np.full(hours[-1] - first + 1, np.nan)
    keep = hours >= first
    series[hours[keep] - first] = np.array(values, dtype=float)[keep]
    middle, spread = np.nanmedian(series), np.nanpercentile(series, 90) - np.nanpercentile(series, 10)
    z = np.clip((series - middle) / spread, -1.2, 1.2)
    of_day = np.arange(len(z)) % 24
    usual = np.array([np.nanmedian(z[of_day == h]) for h in range(24)])
    z = np.where(np.isnan(z), usual[of_day], z)
    return z[: len(z) // 24 * 24]


def _bumps(rng: Rng, hour: FloatArray, at: tuple[float, ...], wide: float) -> FloatArray:
    out = np.zeros_like(hour)
    for centre in at:
        away = (hour - centre - rng.normal(0, 0.8) + 12) % 24 - 12
        width = wide * rng.uniform(0.6, 1.6)
        out += rng.uniform(0.4, 1.3) * np.exp(-0.5 * (away / width) ** 2)
    return out


def _from_measured(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    """Blocks of whole days of the measured series, in random order, warped in time and stretched in size."""
    z = measured().reshape(-1, 24)
    n_days = int(day.max() - day.min()) + 2
    picked: list[FloatArray] = []
    while len(picked) < n_days:
        length = int(rng.integers(1, 8))
        start = int(rng.integers(0, len(z) - length))
        picked.extend(z[start : start + length])
    rows = np.concatenate(picked)
    warp = rng.uniform(-0.9, 0.9)
    bent = (hour + rng.uniform(-5, 5) + warp * 3 * np.sin(2 * np.pi * hour / 24)) / 24
    at = ((day - day.min()) + bent) * 24
    turned = rng.choice([1, 1, 1, -1])
    values: FloatArray = np.exp(turned * rng.uniform(0.3, 1.6) * np.interp(at, np.arange(len(rows)), rows))
    return values


def _homes(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    week = rng.uniform(0.03, 0.35) + _bumps(rng, hour, (7.2, 19.5), 1.7) + 0.4 * _bumps(rng, hour, (13,), 4)
    end = rng.uniform(0.03, 0.35) + _bumps(rng, hour, (10.0, 19), 2.4) + 0.4 * _bumps(rng, hour, (14,), 4)
    return np.where(dow >= 5, end * rng.uniform(0.8, 1.3), week)


def _shifts(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    n = int(rng.integers(1, 4))
    starts = np.sort(rng.choice([5, 6, 7, 8, 13, 14, 15, 21, 22], n, replace=False))
    out = np.full_like(hour, rng.uniform(0.02, 0.3))
    for s in starts:
        ago = (hour - s + rng.uniform(-0.3, 0.3)) % 24
        out += rng.uniform(0.6, 1.4) * ((ago < 7.8) & ((ago < 3.6) | (ago > 4.1)))
        out += rng.uniform(0, 0.8) * ((ago > 7.4) & (ago < 7.9))  # washing down
    idle = dow >= (5 if rng.random() < 0.7 else 6)
    return np.where(idle, rng.uniform(0.05, 0.4), out)


def _tourists(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    base = 0.15 + _bumps(rng, hour, (9, 18, 21.5), 2)
    return base * np.where((dow >= 4) & ~((dow == 4) & (hour < 15)), rng.uniform(1.3, 2.6), 1)


def _irrigation(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    start, length = rng.uniform(19, 27), rng.uniform(2, 7)
    mask = (hour - start) % 24 < length
    every = int(rng.integers(1, 4))
    nights = (day - (hour < 12)) % every == 0
    return 0.25 + 0.3 * _bumps(rng, hour, (8, 19), 2) + rng.uniform(0.8, 2.5) * (mask & nights)


def _tank(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    """A tank downstream fills at night until it is full, later or sooner as the day has drawn."""
    start = rng.uniform(21, 25)
    full = rng.uniform(2, 6) + rng.normal(0, 0.6, int(day.max() - day.min()) + 2)[day - day.min()]
    return 0.3 + 0.5 * _bumps(rng, hour, (7, 18), 2) + rng.uniform(0.8, 2) * ((hour - start) % 24 < full)


def _flat(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    return 0.8 + 0.25 * _bumps(rng, hour, (11,), 4) - rng.uniform(0, 0.15) * (dow >= 5)


def _rural(rng: Rng, hour: FloatArray, dow: IntArray, day: IntArray) -> FloatArray:
    out = _bumps(rng, hour, (6.5, 12.5, 19.5), 1.5)
    still = (hour - rng.uniform(22, 24.5)) % 24 < rng.uniform(4.5, 7)
    return np.where(still, 0, out + 0.02)


KINDS = {
    "measured": _from_measured,
    "homes": _homes,
    "shifts": _shifts,
    "tourists": _tourists,
    "irrigation": _irrigation,
    "tank": _tank,
    "flat": _flat,
    "rural": _rural,
}
_ODDS = (0.3, 0.25, 0.1, 0.07, 0.08, 0.06, 0.07, 0.07)


def rhythm(rng: Rng, local_s: IntArray, is_quiet: bool) -> tuple[FloatArray, str]:
    """A demand of mean 1 on the grid of local times, shape (n,), and its kinds; quiet have dead nights."""
    hour = (local_s % 86400) / 3600
    day = local_s // 86400
    dow = (day + 3) % 7  # 1970-01-01 was a Thursday
    if is_quiet:
        names = ["rural"] if rng.random() < 0.7 else ["rural", str(rng.choice(["measured", "homes"]))]
    else:
        names = list(rng.choice(list(KINDS), int(rng.integers(1, 4)), replace=False, p=_ODDS))
    shape = np.zeros(len(local_s))
    still = np.zeros(len(local_s), dtype=bool)
    for name in names:
        part = KINDS[name](rng, hour, dow, day)
        shape += rng.uniform(0.3, 1) * part / part.mean()
        if name == "rural" and is_quiet:
            still = part <= 0
    n_days = int(day.max() - day.min()) + 2
    factor, level, phi = np.empty(n_days), 0.0, rng.uniform(0, 0.9)
    spread = rng.uniform(0.01, 0.09)
    for i in range(n_days):
        level = phi * level + rng.normal(0, spread * np.sqrt(1 - phi**2))
        factor[i] = level
    shape = shape * np.exp(np.interp(day - day.min() + hour / 24, np.arange(n_days) + 0.5, factor))
    shape *= np.exp(_wander(rng, len(shape), rng.uniform(0.3, 4) * 3600 / GRID_S, rng.uniform(0.01, 0.1)))
    shape[still] = 0
    return shape / shape.mean(), "+".join(names)


def _wander(rng: Rng, n: int, steps: float, spread: float) -> FloatArray:
    """First-order wander of a given correlation length [steps], shape (n,)."""
    phi = np.exp(-1 / max(steps, 1e-3))
    values: FloatArray = lfilter([spread * np.sqrt(1 - phi**2)], [1, -phi], rng.normal(size=n))
    return values


def pulses(rng: Rng, mean_lps: FloatArray, dt_s: float, size_lps: float, lasts_s: float) -> FloatArray:
    """Taps that open and close at random so that the mean is as given, shape (n,) [L/s]."""
    rate = np.clip(mean_lps, 0, None) * dt_s / (size_lps * lasts_s)
    counts = rng.poisson(rate)
    begins = np.repeat(np.arange(len(counts)), counts)
    lasts = rng.exponential(lasts_s, len(begins)) / dt_s
    share = np.clip(lasts, 0.05, None)
    sizes = size_lps * rng.lognormal(0, 0.5, len(begins)) / np.exp(0.125)
    whole = np.maximum(1, np.round(share)).astype(int)
    flow = np.zeros(len(counts) + 1)
    per_step = sizes * share / whole
    np.add.at(flow, begins, per_step)
    np.add.at(flow, np.minimum(begins + whole, len(counts)), -per_step)
    drawn: FloatArray = np.clip(np.cumsum(flow)[:-1], 0, None)
    drawn[drawn < 1e-9] = 0
    return drawn
