"""Condense readings to ticks: what a judge needs of each minute, or of each sample where it is coarser.

One sequential kernel keeps its whole past in a small record, so a log cut anywhere gives the same ticks.
A tick is 60 s for faster sampling, one sample otherwise. Inside a tick the fast movements of outlet, inlet
and flow are kept as variances and covariances of the high-passed signals, because their signs tell who moves
first: a valve that hunts moves outlet and flow together; a changing demand moves them apart; a wave from
upstream moves inlet and outlet together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from steadyhead.readings.frame import Readings
from steadyhead.types import FloatArray

FINEST_TICK_S = 60
PLAUSIBLE_LOW_KPA = -30.0  # below this a gauge transmitter is broken, not the water (vacuum is -101 kPa)
PLAUSIBLE_HIGH_KPA = 4000.0  # above PN 40, no distribution main
QUICK_FILTER_S = 8.0  # who moves first shows on the edges, before the valve has answered
QUICK_SAMPLES = 3.0
SLOW_FILTER_S = 60.0  # high-pass corner for fine sampling: passes periods up to about 5 min
SECOND_DIFFERENCE = 1.0 / np.sqrt(6.0)
REGULAR_SHARE = 0.35  # a period may differ by this share from the running mean and still count as regular

TICK = np.dtype(
    [
        ("outlet_kpa", "f8"),
        ("inlet_kpa", "f8"),
        ("flow_lps", "f8"),
        ("command_kpa", "f8"),
        ("neighbour_kpa", "f8"),
        ("n_valid", "f8"),  # outlet samples
        ("outlet_move", "f8"),  # fast movement of the outlet, root mean square [kPa]
        ("outlet_edge", "f8"),  # its quickest part, mean square [kPa2]
        ("inlet_edge", "f8"),
        ("flow_edge", "f8"),  # [(L/s)2]
        ("with_flow", "f8"),  # mean product of the quickest parts of outlet and flow [kPa L/s]
        ("with_inlet", "f8"),  # of outlet and inlet [kPa2]
        ("cycles", "f8"),  # consecutive regular oscillation periods up to the end of the tick
        ("period_s", "f8"),
        ("swing_kpa", "f8"),  # peak to peak
        ("spikes", "f8"),
        ("implausible", "f8"),
        ("still_outlet_s", "f8"),  # how long the value has not changed at all
        ("still_inlet_s", "f8"),
        ("still_flow_s", "f8"),
    ]
)

_CHANNEL = [("sum", "f8"), ("n", "f8"), ("last", "f8"), ("still_s", "f8")]
CONDENSE_MEMORY = np.dtype(
    [
        *[(f"{c}_{f}", t) for c in ("outlet", "inlet", "flow", "command", "neighbour") for f, t in _CHANNEL],
        ("slow_outlet", "f8"),
        ("old_outlet", "f8"),
        ("old_inlet", "f8"),
        ("old_flow", "f8"),
        ("n_move", "f8"),
        ("n_flow_move", "f8"),
        ("n_inlet_move", "f8"),
        ("quick_outlet", "f8"),
        ("quick_inlet", "f8"),
        ("quick_flow", "f8"),
        ("q_oo", "f8"),
        ("m_oo", "f8"),
        ("m_ii", "f8"),
        ("m_ff", "f8"),
        ("m_of", "f8"),
        ("m_oi", "f8"),
        ("side", "f8"),
        ("since_up_s", "f8"),
        ("top", "f8"),
        ("bottom", "f8"),
        ("last_top", "f8"),
        ("cycles", "f8"),
        ("period_s", "f8"),
        ("swing", "f8"),
        ("before", "f8"),
        ("before2", "f8"),
        ("spikes", "f8"),
        ("implausible", "f8"),
        ("samples", "f8"),
        ("age_s", "f8"),
    ]
)


def tick_s(step_s: int) -> int:
    """Length of a tick for a sampling step [s]: at least a minute, a whole number of steps."""
    return step_s * max(1, -(-FINEST_TICK_S // step_s))


def new_memory() -> NDArray[Any]:
    """Start of the condensing record: nothing seen yet."""
    memory = np.zeros(1, dtype=CONDENSE_MEMORY)
    for name in (
        "slow_outlet",
        "quick_outlet",
        "quick_inlet",
        "quick_flow",
        "old_outlet",
        "old_inlet",
        "old_flow",
        "before",
        "before2",
    ):
        memory[name] = np.nan
    for c in ("outlet", "inlet", "flow", "command", "neighbour"):
        memory[f"{c}_last"] = np.nan
    return memory


@njit(cache=True, inline="always")
def _still(value, last, still_s, step):  # type: ignore[no-untyped-def]
    if np.isnan(value):
        return still_s
    return still_s + step if value == last else 0.0


@njit(cache=True)
def _follow_cycle(m, w, step, arm):  # type: ignore[no-untyped-def]
    """Count full periods by crossings of a dead zone +-arm, so that noise alone never crosses."""
    m.since_up_s += step
    if w > m.top:
        m.top = w
    if w < m.bottom:
        m.bottom = w
    if m.side <= 0 and w > arm:
        period = m.since_up_s
        swing = m.last_top - m.bottom
        if m.cycles > 0 and abs(period - m.period_s) <= REGULAR_SHARE * m.period_s:
            m.cycles += 1
            gain = max(0.25, 1.0 / m.cycles)
            m.period_s += gain * (period - m.period_s)
            m.swing += gain * (swing - m.swing)
        else:
            m.cycles = 1.0
            m.period_s = period
            m.swing = swing
        m.side = 1.0
        m.since_up_s = 0.0
        m.top = w
    elif m.side >= 0 and w < -arm:
        m.last_top = m.top
        m.side = -1.0
        m.bottom = w
    if m.cycles > 0 and m.since_up_s > 2.0 * m.period_s:
        m.cycles = 0.0


@njit(cache=True, inline="always")
def _edges(m, eo, ei, ef):  # type: ignore[no-untyped-def]
    if np.isnan(eo):
        return
    m.n_move += 1
    m.q_oo += eo * eo
    if not np.isnan(ef):
        m.n_flow_move += 1
        m.m_ff += ef * ef
        m.m_of += eo * ef
    if not np.isnan(ei):
        m.n_inlet_move += 1
        m.m_ii += ei * ei
        m.m_oi += eo * ei


@njit(cache=True)
def _move_fine(m, slow, quick, outlet, inlet, flow, step, arm):  # type: ignore[no-untyped-def]
    """Fast movement where sampling is fine: against a slow mean; its edges against a quick one."""
    if np.isnan(outlet):
        return
    wo = outlet - m.slow_outlet
    _edges(m, outlet - m.quick_outlet, inlet - m.quick_inlet, flow - m.quick_flow)
    if np.isnan(wo):
        m.slow_outlet = m.quick_outlet = outlet
    else:
        m.m_oo += wo * wo
        m.slow_outlet += slow * wo
        m.quick_outlet += quick * (outlet - m.quick_outlet)
        _follow_cycle(m, wo, step, arm)
    if not np.isnan(inlet):
        m.quick_inlet = inlet if np.isnan(m.quick_inlet) else m.quick_inlet + quick * (inlet - m.quick_inlet)
    if not np.isnan(flow):
        m.quick_flow = flow if np.isnan(m.quick_flow) else m.quick_flow + quick * (flow - m.quick_flow)


@njit(cache=True)
def _one(m, t, outlet, inlet, flow, command, neighbour, step, arm):  # type: ignore[no-untyped-def]
    """A tick of one sample; its fast movement is the second difference.

    That is blind to a steady rise, so neither the morning nor a set being turned counts. The second
    difference of independent samples holds 1 + 4 + 1 times the variance of one.
    """
    nan = np.nan
    t.outlet_kpa, t.inlet_kpa, t.flow_lps = outlet, inlet, flow
    t.command_kpa, t.neighbour_kpa = command, neighbour
    t.outlet_move = t.outlet_edge = t.inlet_edge = t.flow_edge = t.with_flow = t.with_inlet = nan
    t.n_valid = 0.0
    if np.isnan(outlet):  # a difference across a gap would mix slow change into fast movement
        m.quick_outlet = m.quick_inlet = m.quick_flow = nan
        m.old_outlet = m.old_inlet = m.old_flow = nan
    else:
        t.n_valid = 1.0
        eo = SECOND_DIFFERENCE * (outlet - 2.0 * m.quick_outlet + m.old_outlet)
        if not np.isnan(eo):
            ei = SECOND_DIFFERENCE * (inlet - 2.0 * m.quick_inlet + m.old_inlet)
            ef = SECOND_DIFFERENCE * (flow - 2.0 * m.quick_flow + m.old_flow)
            t.outlet_move = abs(eo)
            t.outlet_edge = eo * eo
            t.inlet_edge, t.with_inlet = ei * ei, eo * ei
            t.flow_edge, t.with_flow = ef * ef, eo * ef
        m.old_outlet, m.old_inlet, m.old_flow = m.quick_outlet, m.quick_inlet, m.quick_flow
        m.quick_outlet, m.quick_inlet, m.quick_flow = outlet, inlet, flow
        w = 0.0 if np.isnan(m.slow_outlet) else outlet - m.slow_outlet
        m.slow_outlet = outlet if np.isnan(m.slow_outlet) else m.slow_outlet + 0.2 * w
        _follow_cycle(m, w, step, arm)
    _tell_past(m, t)


@njit(cache=True, inline="always")
def _tell_past(m, t):  # type: ignore[no-untyped-def]
    """What a tick says of longer than itself, and what was odd within it."""
    t.cycles = m.cycles
    t.period_s = m.period_s
    t.swing_kpa = m.swing
    t.spikes = m.spikes
    t.implausible = m.implausible
    t.still_outlet_s = m.outlet_still_s
    t.still_inlet_s = m.inlet_still_s
    t.still_flow_s = m.flow_still_s
    m.spikes = m.implausible = 0.0


@njit(cache=True)
def _close(m, t):  # type: ignore[no-untyped-def]
    nan = np.nan
    t.outlet_kpa = m.outlet_sum / m.outlet_n if m.outlet_n > 0 else nan
    t.inlet_kpa = m.inlet_sum / m.inlet_n if m.inlet_n > 0 else nan
    t.flow_lps = m.flow_sum / m.flow_n if m.flow_n > 0 else nan
    t.command_kpa = m.command_sum / m.command_n if m.command_n > 0 else nan
    t.neighbour_kpa = m.neighbour_sum / m.neighbour_n if m.neighbour_n > 0 else nan
    t.n_valid = m.outlet_n
    t.outlet_move = np.sqrt(m.m_oo / m.n_move) if m.n_move > 0 else nan
    t.outlet_edge = m.q_oo / m.n_move if m.n_move > 0 else nan
    t.inlet_edge = m.m_ii / m.n_inlet_move if m.n_inlet_move > 0 else nan
    t.flow_edge = m.m_ff / m.n_flow_move if m.n_flow_move > 0 else nan
    t.with_flow = m.m_of / m.n_flow_move if m.n_flow_move > 0 else nan
    t.with_inlet = m.m_oi / m.n_inlet_move if m.n_inlet_move > 0 else nan
    _tell_past(m, t)
    m.outlet_sum = m.inlet_sum = m.flow_sum = m.command_sum = m.neighbour_sum = 0.0
    m.outlet_n = m.inlet_n = m.flow_n = m.command_n = m.neighbour_n = 0.0
    m.n_move = m.n_flow_move = m.n_inlet_move = 0.0
    m.m_oo = m.q_oo = m.m_ii = m.m_ff = m.m_of = m.m_oi = 0.0
    m.samples = 0.0


@njit(cache=True)
def _add(m, outlet, inlet, flow, command, neighbour):  # type: ignore[no-untyped-def]
    """Sums of a tick of several samples."""
    if not np.isnan(outlet):
        m.outlet_sum += outlet
        m.outlet_n += 1
    if not np.isnan(inlet):
        m.inlet_sum += inlet
        m.inlet_n += 1
    if not np.isnan(flow):
        m.flow_sum += flow
        m.flow_n += 1
    if not np.isnan(command):
        m.command_sum += command
        m.command_n += 1
    if not np.isnan(neighbour):
        m.neighbour_sum += neighbour
        m.neighbour_n += 1


@njit(cache=True)
def _arrive(m, o, p, q, step, spike):  # type: ignore[no-untyped-def]
    """What holds for a sample whatever the length of a tick: has it changed, did it jump and return?"""
    m.outlet_still_s = _still(o, m.outlet_last, m.outlet_still_s, step)
    m.inlet_still_s = _still(p, m.inlet_last, m.inlet_still_s, step)
    m.flow_still_s = _still(q, m.flow_last, m.flow_still_s, step)
    if not np.isnan(o):
        m.outlet_last = o
        jump = m.before - m.before2
        if abs(jump) > spike and abs(o - m.before2) < 0.4 * abs(jump):
            m.spikes += 1
        m.before2 = m.before
        m.before = o
    if not np.isnan(p):
        m.inlet_last = p
    if not np.isnan(q):
        m.flow_last = q


@njit(cache=True)
def _condense(outlet, inlet, flow, command, neighbour, step, per_tick, arm, spike, memory, ticks):  # type: ignore[no-untyped-def]
    m = memory[0]
    slow = 1.0 - np.exp(-step / SLOW_FILTER_S)
    quick = 1.0 - np.exp(-step / max(QUICK_FILTER_S, QUICK_SAMPLES * step))
    k = 0
    for i in range(outlet.shape[0]):
        o, p, q = outlet[i], inlet[i], flow[i]
        if o < PLAUSIBLE_LOW_KPA or o > PLAUSIBLE_HIGH_KPA:
            o = np.nan
            m.implausible += 1
        if p < PLAUSIBLE_LOW_KPA or p > PLAUSIBLE_HIGH_KPA:
            p = np.nan
            m.implausible += 1
        _arrive(m, o, p, q, step, spike)
        if per_tick == 1:
            _one(m, ticks[k], o, p, q, command[i], neighbour[i], step, arm)
            k += 1
            continue
        _add(m, o, p, q, command[i], neighbour[i])
        _move_fine(m, slow, quick, o, p, q, step, arm)
        m.samples += 1
        if m.samples >= per_tick:
            _close(m, ticks[k])
            k += 1
    return k


@dataclass(frozen=True, slots=True)
class Ticks:
    """Condensed readings of one station.

    start_s : time of the first tick's last sample, seconds since 1970-01-01 UTC; tick_s : length [s]
    table : shape (n_ticks,), dtype ``TICK``; pressures kPa gauge, flow L/s, NaN where nothing was measured
    """

    start_s: int
    tick_s: int
    table: NDArray[Any]

    def __len__(self) -> int:
        return int(self.table.shape[0])


def condense(readings: Readings, memory: NDArray[Any], arm_kpa: float, spike_kpa: float) -> Ticks:
    """Ticks of a block of readings; ``memory`` is carried on and changed in place.

    arm_kpa : half width of the dead zone that an oscillation must cross to be counted [kPa]
    spike_kpa : size from which a single sample that returns at once counts as a spike [kPa]
    The block must start where the last one ended; ticks end on multiples of the tick length since the first.
    """
    length = tick_s(readings.step_s)
    per_tick = length // readings.step_s
    pending = int(memory["samples"][0])
    table = np.empty((pending + len(readings)) // per_tick, dtype=TICK)
    start_s = readings.start_s + (per_tick - pending - 1) * readings.step_s
    _condense(
        readings.outlet_kpa,
        readings.inlet_kpa,
        readings.flow_lps,
        readings.command_kpa,
        readings.neighbour_kpa,
        float(readings.step_s),
        per_tick,
        arm_kpa,
        spike_kpa,
        memory,
        table,
    )
    return Ticks(start_s=start_s, tick_s=length, table=table)


def times_s(ticks: Ticks) -> FloatArray:
    """Time of each tick's last sample, shape (n_ticks,), seconds since 1970-01-01 UTC."""
    return ticks.start_s + ticks.tick_s * np.arange(len(ticks), dtype=np.float64)
