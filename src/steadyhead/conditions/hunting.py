"""Hunting: sustained oscillation of outlet and flow made by the station itself.

Where sampling resolves the period (four samples or more in a period), regular full periods are counted.
Below that, the fast movement of the outlet is compared with what is usual: weaker evidence, and called so.
Told from: a wave from upstream (inlet and outlet move together), batch demand (outlet and flow move apart).
"""

from __future__ import annotations

import numpy as np
from numba import njit

from steadyhead.conditions.base import hold, wait
from steadyhead.conditions.scene.record import MOVES

REGULAR_CYCLES = 4.0
LONG_ROW = 10.0
RESOLVED_SAMPLES = 4.0  # common practice, no source; two samples a period is the theoretical least
LONGEST_S = (
    400.0  # hydraulic pilots hunt in seconds to a minute, electronic loops in minutes (common practice)
)
LONGEST_ROW_S = 600.0
LONGEST_SAMPLES = 8.0  # longer than that, at coarse sampling, it is the day's own rhythm
TOGETHER = 0.2  # least correlation of outlet and flow edges; where demand leads it is below zero
TOGETHER_COARSE = 0.3  # the same of one sample a tick
SURELY_TOGETHER = 0.6  # enough to believe four moves
UPSTREAM_CORRELATION = 0.5
UPSTREAM_RATIO = 0.5
UPSTREAM_FAR = 3.0
# Where no meter can tell: a hunting valve's inlet moves against its outlet, and hardly further.
ALONE_CORRELATION, ALONE_RATIO = 0.3, 0.3
ALONE_AGAINST, ALONE_FAR = -0.6, 1.2
ALWAYS_RESOLVED_S = 2.0  # no hydraulic pilot hunts faster than four of these
LEAST_RATIO = 2.0  # of the usual movement
TRAVELS = 0.7  # of the swing: an outlet further from its own short mean is going somewhere
ONE_SIDED_TICKS = 8.0  # what sagged a moment ago comes back with large moves
LOW = 0.9  # of the swing; about the set pressure it is none
LEAST_FLOW_SHARE = 1.0  # of the outlet's swing, each over its level: where outlets move, more water moves
LATE_SHARE = 0.6  # of what is called a slow response
LATE_FLOW = 0.72  # correlation of outlet and flow, below which it is not plainly the valve's own beat
LATE_WATCHED_S = 1800.0
RMS_TO_SWING = 2.83  # peak to peak of a sine over its root mean square


@njit(cache=True)
def is_long_row(s):  # type: ignore[no-untyped-def]
    """So many like periods in a row that chance is out of the question."""
    return s.cycles >= LONG_ROW


@njit(cache=True)
def comes_from_outside(s, lim):  # type: ignore[no-untyped-def]
    """The movement is upstream's or the district's."""
    upstream = s.with_inlet > UPSTREAM_CORRELATION and s.inlet_move_ratio > UPSTREAM_RATIO
    # a hunting valve moves its own inlet less than its outlet
    upstream = upstream or (s.inlet_move_ratio > UPSTREAM_FAR and s.with_flow < 0.5)
    if not lim.has_flow:
        upstream = upstream or (s.with_inlet > ALONE_CORRELATION and s.inlet_move_ratio > ALONE_RATIO)
        moves_far = s.inlet_move_ratio > ALONE_FAR and s.with_inlet > ALONE_AGAINST
        upstream = upstream or (moves_far and not lim.fine)
    # one sample a tick shows no lead of demand, only less in common
    least = TOGETHER if lim.fine else TOGETHER_COARSE
    demand = lim.has_flow and s.with_flow < least
    return upstream or demand


@njit(cache=True)
def may_be_late(s, lim):  # type: ignore[no-untyped-def]
    """The outlet strays further for the same demand than it did, and demand leads: it may answer late."""
    strays = s.s_rz < 0.0 and s.slow_share > LATE_SHARE * lim.slow_share
    return lim.has_flow and strays and s.with_flow < LATE_FLOW


@njit(cache=True)
def is_regular(s, lim):  # type: ignore[no-untyped-def]
    """Full periods of like length were counted, at a period that sampling and filter pass."""
    resolved = s.period_s >= RESOLVED_SAMPLES * lim.step_s
    if lim.fine and lim.on_change and not is_long_row(s):
        return False  # held values make steps of a few like lengths by chance
    if lim.fine:
        # where the outlet swings far, the beat grows longer than it was when it began
        longest_s = LONGEST_ROW_S if is_long_row(s) else LONGEST_S
        return s.cycles >= REGULAR_CYCLES and resolved and s.period_s <= longest_s
    # one sample a tick: chance makes a few like periods more easily, so more of them are asked for
    if is_long_row(s):
        return resolved and s.period_s <= 2.0 * LONGEST_SAMPLES * lim.step_s
    together = lim.has_flow and s.with_flow > 2.0 * TOGETHER  # without a meter it may be a batch of demand
    return (
        s.cycles >= REGULAR_CYCLES + 1
        and resolved
        and together
        and not may_be_late(s, lim)
        and s.period_s <= LONGEST_SAMPLES * lim.step_s
    )


@njit(cache=True)
def judged_by_scatter(lim):  # type: ignore[no-untyped-def]
    """Whether scatter says anything: not of held values or means, nor where every beat is resolved anyway."""
    return lim.step_s > ALWAYS_RESOLVED_S and not lim.on_change and not lim.averaged


@njit(cache=True)
def is_settled(s):  # type: ignore[no-untyped-def]
    """Enough movement was seen, and none of it is a scheduled set pressure being taken up."""
    return s.n_moves >= 8 and s.set_still_s > max(1800.0, 10.0 * s.tick_s)


@njit(cache=True)
def is_one_sided(s, lim):  # type: ignore[no-untyped-def]
    """The outlet moves below what is expected, not about it, as demand moves a valve at its limit."""
    if lim.fine:
        return False
    return s.one_sided_s > 0.0 and s.time_s - s.one_sided_s < ONE_SIDED_TICKS * s.tick_s


@njit(cache=True)
def hangs_low(s, lim, swing):  # type: ignore[no-untyped-def]
    """The outlet has come down further than it would swing to."""
    return not lim.fine and lim.has_flow and s.fast * lim.set_kpa < -LOW * swing


@njit(cache=True)
def moves_alone(s, lim):  # type: ignore[no-untyped-def]
    """The outlet's number moves and the water does not: a transmitter."""
    if not lim.has_flow or not s.flow_slow > 0.0:
        return False
    return np.sqrt(s.c_ff) / s.flow_slow < LEAST_FLOW_SHARE * np.sqrt(s.c_oo) / lim.set_kpa


@njit(cache=True)
def scatter_swing_kpa(s, lim):  # type: ignore[no-untyped-def]
    """Peak to peak of a sine with the scatter seen, less where outlet and flow hardly move together."""
    swing = RMS_TO_SWING * s.move_kpa
    if not lim.has_flow:
        return swing
    return swing * min(max((s.with_flow - 0.5 * TOGETHER) / (2.0 * TOGETHER), 0.0), 1.0)


@njit(cache=True)
def sets_in(s, lim):  # type: ignore[no-untyped-def]
    """Three of the last four moves are as large as a hunting valve's, and flow goes with them."""
    if not lim.has_flow or s.with_flow < SURELY_TOGETHER or s.n_moves < MOVES:
        return False
    least_kpa = max(lim.scatter_share * lim.set_kpa / RMS_TO_SWING, LEAST_RATIO * lim.move_kpa)
    large = 0
    for back in range(4):
        large += s.moves[int(s.n_moves - 1 - back) % MOVES] > least_kpa
    return large >= 3


@njit(cache=True)
def raised_swing_kpa(s, lim):  # type: ignore[no-untyped-def]
    """Peak to peak where the outlet moves more than is usual here, else 0."""
    swing = scatter_swing_kpa(s, lim) if s.move_kpa > LEAST_RATIO * lim.move_kpa else 0.0
    if sets_in(s, lim):  # the median of eight moves comes too late for a beat that has just begun
        swing = max(swing, RMS_TO_SWING * np.sqrt(s.c_oo))
    return swing


@njit(cache=True)
def judge(s, own, lim):  # type: ignore[no-untyped-def]
    """Support for hunting: 1 means raise. Size is peak to peak [kPa]; kind 1 resolved, 2 raised scatter."""
    claim = False
    size = 0.0
    kind = 0.0
    if s.known > 0 and s.starved == 0:
        regular = is_regular(s, lim)
        least = lim.hunting_share if lim.fine else max(lim.hunting_share, 0.5 * lim.scatter_share)
        if regular and s.swing_kpa > least * lim.set_kpa:
            claim, size, kind = True, s.swing_kpa, 1.0
        elif judged_by_scatter(lim) and is_settled(s):
            swing = raised_swing_kpa(s, lim)
            # on the way from one level to another it moves a lot, but not to and fro
            travels = abs(s.departure - s.fast) * lim.set_kpa > TRAVELS * swing
            if swing > lim.scatter_share * lim.set_kpa and not travels:
                low = is_one_sided(s, lim) or hangs_low(s, lim, swing)
                claim, size, kind = not low and not moves_alone(s, lim), swing, 2.0
        claim = claim and not comes_from_outside(s, lim)
    hold(own, claim, size if claim else own.size, s.time_s, s.tick_s)
    if claim:
        own.kind = kind
    # counted periods have lasted by themselves; scatter has to be watched, the more so without a meter
    seconds, samples = 60.0, 1.0
    if own.kind == 2.0:
        seconds = 180.0 if lim.has_flow else 600.0
        if may_be_late(s, lim):
            seconds, samples = LATE_WATCHED_S, 4.0
    return own.held_s / wait(s.tick_s, seconds, samples)
