"""The steady state of inlet, valve and district, solved anew every time step.

Nothing here is a wave: each step finds the flow at which inlet curve, valve and district agree. Two things
carry over from step to step, the valve's opening and the water that the district's pipes hold by stretching.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numba
import numpy as np

from steadyhead.types import FloatArray

KV_LPS = 36.0  # Kv [m3/h at 1 bar] = 36 Q [L/s] / sqrt(dp [kPa]); from the definition of Kv
HEAD_POWER = 1.852  # Hazen-Williams


@dataclass(frozen=True)
class Plant:
    """What does not change at a station.

    inlet_k : loss of the inlet main [kPa per (L/s)^1.852]; kv_max : open [m3/h]; shape : kv = kv_max x^shape
    droop_kpa : fall of outlet at ``usual_lps``; lockup_kpa : rise as flow goes to none, over ``seat_lps``
    leak_lps : leakage at ``usual_kpa``, ``leak_grows`` of it through holes that widen with pressure (FAVAD)
    elastic : part of demand that goes with the root of pressure; stretch : storage of the pipes [L/kPa]
    tie_k : loss of a second feed [kPa per (L/s)^1.852], 0 if there is none
    stroke_s : fastest full stroke; lag : dead steps between an error and the stem's answer
    """

    inlet_k: float
    kv_max: float
    shape: float
    droop_kpa: float
    lockup_kpa: float
    seat_lps: float
    usual_lps: float
    usual_kpa: float
    leak_lps: float
    leak_grows: float
    elastic: float
    stretch: float
    tie_k: float = 0.0
    stroke_s: float = 30.0
    lag: int = 0


@dataclass(frozen=True)
class Drive:
    """What acts on a station, each shape (n,), one value per step of ``dt_s``.

    source_kpa : pressure at the inlet main's far end; demand_lps : at usual pressure; set_kpa : of the pilot
    emitter : burst or hydrant [L/s per sqrt kPa]; tie_kpa : far end of the second feed; NaN while shut
    offset_kpa : the pilot's error; droop_kpa : droop more than healthy; floor, ceiling : opening's bounds
    seat_kv : past the shut seat; open_s, close_s : first-order lag of the stem; band_kpa : error not answered
    gain : of a loop with dead time, 0 for a healthy one
    """

    dt_s: float
    source_kpa: FloatArray
    demand_lps: FloatArray
    set_kpa: FloatArray
    emitter: FloatArray
    tie_kpa: FloatArray
    faults: FloatArray = field(repr=False)

    def with_faults(self, **changed: FloatArray) -> Drive:
        """The same with some rows of ``faults`` changed, by the names of FAULTS."""
        faults = self.faults.copy()
        for name, values in changed.items():
            faults[FAULTS.index(name)] = values
        return replace(self, faults=faults)


FAULTS = (
    "offset_kpa",
    "droop_kpa",
    "floor",
    "ceiling",
    "seat_kv",
    "open_s",
    "close_s",
    "band_kpa",
    "gain",
    "rate",
)


def healthy_faults(n: int, open_s: float, close_s: float, band_kpa: float, stroke_s: float) -> FloatArray:
    """Rows of FAULTS, shape (10, n), at a station without a fault."""
    rows = np.zeros((len(FAULTS), n))
    for name, value in (
        ("ceiling", 1.0),
        ("open_s", open_s),
        ("close_s", close_s),
        ("band_kpa", band_kpa),
        ("rate", 1 / stroke_s),
    ):
        rows[FAULTS.index(name)] = value
    return rows


@dataclass(frozen=True)
class State:
    """What came of it, each shape (n,): pressures [kPa], flow [L/s], opening 0 to 1, pilot's aim [kPa]."""

    inlet_kpa: FloatArray
    outlet_kpa: FloatArray
    flow_lps: FloatArray
    opening: FloatArray
    aim_kpa: FloatArray


def solve(plant: Plant, drive: Drive) -> State:
    """Every step's steady state, in turn."""
    p = plant
    fixed = np.array(
        [
            p.inlet_k,
            p.kv_max,
            p.shape,
            p.droop_kpa,
            p.lockup_kpa,
            p.seat_lps,
            p.usual_lps,
            p.usual_kpa,
            p.leak_lps,
            p.leak_grows,
            p.elastic,
            p.stretch,
            p.tie_k,
        ]
    )
    d = drive
    rows = _run(
        fixed, d.dt_s, d.source_kpa, d.demand_lps, d.set_kpa, d.emitter, d.tie_kpa, d.faults, plant.lag
    )
    return State(*rows)


@numba.njit(cache=True)
def _taken(p, demand, emitter, c):
    """Demand, leakage and burst of the district at pressure p [L/s]."""
    if p <= 0.0:
        return 0.0
    r = p / c[7]
    root = np.sqrt(r)
    supplied = demand * ((1 - c[10]) + c[10] * root)
    if r < 0.3:
        supplied *= np.sqrt(r / 0.3)
    return supplied + c[8] * ((1 - c[9]) * root + c[9] * r * root) + emitter * np.sqrt(p)


@numba.njit(cache=True)
def _tied(p, tie_kpa, tie_k):
    """Flow of the second feed into the district [L/s]."""
    if tie_k <= 0.0 or np.isnan(tie_kpa):
        return 0.0
    d = tie_kpa - p
    if d >= 0:
        return (d / tie_k) ** (1 / HEAD_POWER)
    return -((-d / tie_k) ** (1 / HEAD_POWER))


@numba.njit(cache=True)
def _lacking(p, before, store, demand, emitter, tie_kpa, c):
    """What the valve would have to pass for the district to stand at p [L/s]."""
    return _taken(p, demand, emitter, c) - _tied(p, tie_kpa, c[12]) + store * (p - before)


@numba.njit(cache=True)
def _below(source, q, r, k):
    return source - k * q**HEAD_POWER - r * q * q


@numba.njit(cache=True)
def _shut(before, store, demand, emitter, tie_kpa, source, c):
    """Pressure of a district that the valve does not feed [kPa]."""
    lo, hi = 0.0, max(before, source) + 1.0
    if not np.isnan(tie_kpa):
        hi = max(hi, tie_kpa + 1.0)
    for _ in range(40):
        mid = 0.5 * (lo + hi)
        if _lacking(mid, before, store, demand, emitter, tie_kpa, c) > 0:
            hi = mid
        else:
            lo = mid
        if hi - lo < 1e-3:
            break
    return 0.5 * (lo + hi)


@numba.njit(cache=True)
def _flow(kv, guess, before, store, demand, emitter, tie_kpa, source, c):
    """Flow through an open valve [L/s]; -1 if the district stands above the inlet."""
    k = c[0]
    r = (KV_LPS / kv) ** 2
    lo, flo = 0.0, -_lacking(source, before, store, demand, emitter, tie_kpa, c)
    if flo >= 0:
        return -1.0
    hi = np.sqrt(source / r)
    if k > 0:
        hi = min(hi, (source / k) ** (1 / HEAD_POWER))
    fhi = hi - _lacking(_below(source, hi, r, k), before, store, demand, emitter, tie_kpa, c)
    end = 1e-6 * hi
    q = guess
    if q <= lo or q >= hi:
        q = 0.5 * (lo + hi)
    side = 0
    for _ in range(60):
        f = q - _lacking(_below(source, q, r, k), before, store, demand, emitter, tie_kpa, c)
        if f < 0:
            step = q - lo
            lo, flo = q, f
            if side == -1:
                fhi *= 0.5
            side = -1
        else:
            step = hi - q
            hi, fhi = q, f
            if side == 1:
                flo *= 0.5
            side = 1
        if hi - lo < end or abs(step) < 0.05 * end or f == 0.0:
            break
        q = (lo * fhi - hi * flo) / (fhi - flo)
        if q <= lo or q >= hi:
            q = 0.5 * (lo + hi)
    return q


@numba.njit(cache=True)
def _run(c, dt, sources, demands, sets, emitters, ties, faults, lag):
    n = len(sources)
    inlet, outlet, flow, opening, aims = np.empty(n), np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    store = c[11] / dt
    before = sets[0]
    q = demands[0] + c[8]
    x = -1.0
    usual_x = 0.0
    errors = np.zeros(lag + 1)
    for i in range(n):
        source, demand, emitter, tie = max(sources[i], 0.0), demands[i], emitters[i], ties[i]
        top = sets[i] + faults[0, i]
        droop = c[3] + faults[1, i]
        need = q
        aim = top
        for _ in range(3):
            seat = max(0.0, 1.0 - max(need, 0.0) / c[5])
            aim = top + c[4] * seat * seat - droop * max(need, 0.0) / c[6]
            need = 0.5 * need + 0.5 * _lacking(aim, before, store, demand, emitter, tie, c)
        need = _lacking(aim, before, store, demand, emitter, tie, c)
        if need <= 0:
            wanted = 0.0
        else:
            dp = source - c[0] * need**HEAD_POWER - aim
            wanted = 1.0
            if dp > 0.01:
                wanted = min(1.0, (KV_LPS * need / np.sqrt(dp) / c[1]) ** (1 / c[2]))
        if x < 0:
            x, usual_x = wanted, max(wanted, 0.02)
        usual_x += (wanted - usual_x) * dt / 86400.0
        error = wanted - x
        errors[i % (lag + 1)] = error
        gain = faults[8, i]
        if gain > 0:
            # the outlet answers an opening by 2 dp / x, so a pilot is hotter where the valve is less open
            hot = min(4.0, max(0.3, usual_x / max(x, 0.01)))
            move = gain * hot * errors[(i + 1) % (lag + 1)]
        else:
            late = faults[5, i] if error > 0 else faults[6, i]
            move = error * (1 - np.exp(-dt / late))
            # what the outlet would stray if the stem stayed: less than the band does not move it
            if 0 < wanted < 1 and 2 * (source - aim) * abs(error) < faults[7, i] * wanted:
                move = 0.0
        most = faults[9, i] * dt
        x += min(most, max(-most, move))
        x = min(max(x, faults[2, i]), faults[3, i])
        x = min(max(x, 0.0), 1.0)
        kv = c[1] * x ** c[2] + faults[4, i]
        through = -1.0
        if kv > 1e-7 and source > 0.5:
            through = _flow(kv, q, before, store, demand, emitter, tie, source, c)
        if through < 0:
            q = 0.0
            p = _shut(before, store, demand, emitter, tie, source, c)
        else:
            q = through
            p = max(0.0, _below(source, q, (KV_LPS / kv) ** 2, c[0]))
        inlet[i] = source - c[0] * q**HEAD_POWER
        outlet[i], flow[i], opening[i], aims[i] = p, q, x, aim
        before = p
    return inlet, outlet, flow, opening, aims
