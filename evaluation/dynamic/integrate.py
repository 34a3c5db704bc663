"""The equations of station and district, stepped through time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from steadyhead.types import FloatArray

DT_S = 10.0
STEP_S = 2.0
SUBSTEPS = int(DT_S / STEP_S)


class Plant(NamedTuple):
    """Numbers that stay: Kv of the open valve [m3/h], rangeability, C [L/kPa], main's loss [kPa/(L/s)^2] ...

    dead : travel within which friction holds the stem; band_kpa : error that moves it from shut to open
    """

    kv_full: float
    rangeability: float
    storage_l_kpa: float
    main_loss: float
    reference_kpa: float
    demand_power: float
    leak_lps: float
    leak_power: float
    dead: float
    band_kpa: float
    beside_loss: float


@njit(cache=True)
# type: ignore[no-untyped-def]
def run(p, source, demand, setting, low, high, choke, seat_kv, open_s, close_s, gain, lag_s, beside):
    """Inlet, outlet [kPa], flow through the valve [L/s] and travel, every ``DT_S``; arrays of shape (n,).

    low, high : least and greatest travel; choke : share of Kv left; seat_kv : Kv past the shut seat [m3/h]
    open_s, close_s : time for the whole travel; beside : pressure of another feed [kPa], NaN without one
    """
    n = len(source)
    inlet, outlet, flow, travel = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    x, felt, p2, q = 0.3, setting[0], setting[0], 0.0
    p1 = source[0]
    for i in range(n):
        for _ in range(SUBSTEPS):
            p1 = max(source[i] - p.main_loss * q * q, 1.0)
            felt += (p2 - felt) * (1.0 - np.exp(-STEP_S / max(lag_s[i], 0.5)))
            wanted = 0.3 + gain[i] * (setting[i] - felt) / p.band_kpa
            off = min(max(wanted, 0.0), 1.0) - x
            if abs(off) > p.dead:  # friction holds the stem until enough pulls
                rate = min(max(off / 4.0, -1.0 / close_s[i]), 1.0 / open_s[i])
                x += rate * STEP_S
            x = min(max(x, low[i]), high[i])
            kv = p.kv_full * choke[i] * p.rangeability ** (x - 1.0) if x > 0.01 else 0.0
            kv += seat_kv[i]
            dp = p1 - p2
            q = kv / 36.0 * np.sqrt(dp) if dp > 0.0 else 0.0
            ratio = max(p2, 1.0) / p.reference_kpa
            drawn = demand[i] * ratio**p.demand_power + p.leak_lps * ratio**p.leak_power
            stiff = q / (2.0 * max(dp, 1.0)) + p.demand_power * drawn / max(p2, 1.0)
            enters = 0.0
            if beside[i] == beside[i] and beside[i] > p2:
                enters = (beside[i] - p2) / p.beside_loss
                stiff += 1.0 / p.beside_loss
            p2 = max(p2 + STEP_S * (q + enters - drawn) / (p.storage_l_kpa + STEP_S * stiff), 0.5)
            if p2 > p1:
                p2 = max(p1, p2 - STEP_S * drawn / p.storage_l_kpa)
        inlet[i], outlet[i], flow[i], travel[i] = p1, p2, q, x
    return inlet, outlet, flow, travel


def pulses(rng: np.random.Generator, n: int, rate: FloatArray, homes: float) -> FloatArray:
    """Demand of many taps [L/s], shape (n,): pulses arrive at random, last about a minute, draw about 0.1
    L/s.

    rate : how busy each step is, mean one; beyond 600 homes the sum of so many taps is scaled, not counted
    """
    counted = min(homes, 600.0)
    arrivals = rng.poisson(np.maximum(rate, 0.0) * counted * 38.0 / 86400.0 * DT_S)
    at = np.repeat(np.arange(n), arrivals)
    lasts = np.maximum(rng.exponential(70.0, len(at)) / DT_S, 1.0).astype(np.int64)
    draws = rng.gamma(2.0, 0.055, len(at))
    edges = np.zeros(n + 1)
    np.add.at(edges, at, draws)
    np.add.at(edges, np.minimum(at + lasts, n), -draws)
    return np.maximum(np.cumsum(edges)[:n], 0.0) * homes / counted
