"""Follows the half cycles of a signal as they happen, and says how many in a row are alike.

Causal counterpart of the regularity test on zero crossings (Thornhill, Huang & Zhang, J. Process Control
13 (2003) 91) and of counting half waves of the error (Hägglund, Control Eng. Practice 3 (1995) 1543).
The state is one small float array: it can be stored, and a series may be cut anywhere.

A half cycle ends where the signal crosses zero, but is only believed once the signal has gone on past the
noise ``band`` on the other side. Lengths are compared as whole cycles (two halves in a row), since an
oscillation that rises faster than it falls has unequal halves and still is regular.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

RING = 32
"""Half cycles remembered; the count of alike ones cannot exceed it."""

# Places in the state.
_NOW = 0  # samples seen, the clock
_SIDE = 1  # +1, -1, or 0 before the first excursion past the band
_CROSSED = 2  # time at which the present half cycle began; NaN where unknown
_CANDIDATE = 3  # last crossing away from the present side, not yet believed; NaN if none
_EXTREME = 4  # largest |signal| on the present side since it began
_EXTREME_NEXT = 5  # largest |signal| on the other side since the candidate crossing
_LAST = 6  # last signal
_MISSING = 7  # missing samples in a row
_FILLED = 8  # half cycles in the ring, at most RING
_HEAD = 9  # place of the newest in the ring
_COUNT = 10  # last answer, kept between crossings: count, mean half period, mean peak to peak
_MEAN_HALF = 11
_MEAN_PEAK = 12
_LENGTHS = 13
_EXTREMES = _LENGTHS + RING
STATE_SIZE = _EXTREMES + RING
"""Numbers in the state."""

_STALE = 2.5  # a half cycle this many times the mean is no longer the same oscillation


@dataclass(frozen=True, slots=True)
class Rules:
    """What makes half cycles count.

    band : noise band [unit of the signal]; a crossing is believed when the signal has passed it. About
        one standard deviation of the noise
    floor : least peak to peak of a cycle that counts [unit of the signal]
    max_spread : largest coefficient of variation of the cycle lengths that still reads as regular. With the
        default, white and AR(1) noise counts 10 or more for about 1 % of the time, 20 or more for 0.01 %
    max_missing : missing samples in a row after which everything starts anew
    """

    band: float
    floor: float
    max_spread: float = 0.2  # r = 1 in Thornhill 2003 is 1/3 of a half, 0.236 of two; somewhat stricter
    max_missing: int = 3


@dataclass(frozen=True, slots=True)
class HalfCycles:
    """The tracker's answer at each sample of a block.

    count : shape (n,), half cycles in a row, up to now, that are regular and large enough; 0 if none
    half_period : shape (n,), their mean length [samples]; NaN where count is 0
    peak_to_peak : shape (n,), their mean peak to peak [unit of the signal]; NaN where count is 0
    state : shape (STATE_SIZE,), hand it to the next block
    """

    count: FloatArray
    half_period: FloatArray
    peak_to_peak: FloatArray
    state: FloatArray


@njit(cache=True)
def _restart(state):  # type: ignore[no-untyped-def]
    state[_SIDE] = 0.0
    state[_CROSSED] = math.nan
    state[_CANDIDATE] = math.nan
    state[_EXTREME] = 0.0
    state[_EXTREME_NEXT] = 0.0
    state[_LAST] = math.nan
    state[_FILLED] = 0.0
    state[_COUNT] = 0.0
    state[_MEAN_HALF] = math.nan
    state[_MEAN_PEAK] = math.nan


def half_cycle_state() -> FloatArray:
    """State of a tracker that has seen nothing; shape (STATE_SIZE,)."""
    state = np.zeros(STATE_SIZE)
    _restart(state)
    return state


@njit(cache=True)
def _judge(state, floor, max_spread):  # type: ignore[no-untyped-def]
    """Longest run of alike half cycles that ends with the newest one; writes the answer to the state."""
    filled, head = int(state[_FILLED]), int(state[_HEAD])
    count, cycles = 0, 0
    total, squares, peaks = 0.0, 0.0, 0.0
    for back in range(filled - 1):  # the oldest has no half before it to be compared with
        new = (head - back) % RING
        old = (head - back - 1) % RING
        cycle = state[_LENGTHS + new] + state[_LENGTHS + old]
        peak = state[_EXTREMES + new] + state[_EXTREMES + old]
        total_next, squares_next = total + cycle, squares + cycle * cycle
        mean = total_next / (cycles + 1)
        variance = squares_next / (cycles + 1) - mean * mean
        if peak < floor or variance > (max_spread * mean) ** 2:
            break
        total, squares, peaks, cycles = total_next, squares_next, peaks + peak, cycles + 1
        count = cycles + 1
    state[_COUNT] = count
    state[_MEAN_HALF] = 0.5 * total / cycles if cycles else math.nan
    state[_MEAN_PEAK] = peaks / cycles if cycles else math.nan


@njit(cache=True)
def half_cycle_step(state, z, band, floor, max_spread, max_missing):  # type: ignore[no-untyped-def]
    """One more sample of a signal that swings about zero; changes ``state``, returns the answer.

    state : shape (STATE_SIZE,), from ``half_cycle_state``
    z : the sample, trend taken out;  band, floor, max_spread, max_missing : see ``Rules``
    Returns (count, half_period [samples], peak_to_peak): see ``HalfCycles``. A NaN sample takes its time
    and changes nothing until ``max_missing`` in a row are passed.
    """
    state[_NOW] += 1.0
    if math.isnan(z):
        state[_MISSING] += 1.0
        if state[_MISSING] > max_missing:
            _restart(state)
        return state[_COUNT], state[_MEAN_HALF], state[_MEAN_PEAK]
    now, last, side = state[_NOW], state[_LAST], state[_SIDE]
    gap = state[_MISSING] + 1.0
    state[_MISSING] = 0.0
    state[_LAST] = z
    if side == 0.0:
        if abs(z) > band:
            state[_SIDE] = 1.0 if z > 0.0 else -1.0
            state[_EXTREME] = abs(z)
        return state[_COUNT], state[_MEAN_HALF], state[_MEAN_PEAK]
    here = side * z
    if here > 0.0:
        state[_EXTREME] = max(state[_EXTREME], here)
        state[_CANDIDATE] = math.nan  # it came back: the crossing was noise
        state[_EXTREME_NEXT] = 0.0
        if state[_COUNT] > 0.0 and now - state[_CROSSED] > _STALE * state[_MEAN_HALF]:
            state[_COUNT], state[_FILLED] = 0.0, 0.0
            state[_MEAN_HALF], state[_MEAN_PEAK] = math.nan, math.nan
        return state[_COUNT], state[_MEAN_HALF], state[_MEAN_PEAK]
    if math.isnan(state[_CANDIDATE]):
        # straight line between the two samples; side * last > 0 >= here, so the difference is not zero
        state[_CANDIDATE] = now + gap * here / (side * last - here)
        state[_EXTREME_NEXT] = 0.0
    state[_EXTREME_NEXT] = max(state[_EXTREME_NEXT], -here)
    if -here > band:
        if not math.isnan(state[_CROSSED]):
            head = (int(state[_HEAD]) + 1) % RING
            state[_HEAD] = head
            state[_LENGTHS + head] = state[_CANDIDATE] - state[_CROSSED]
            state[_EXTREMES + head] = state[_EXTREME]
            state[_FILLED] = min(float(RING), state[_FILLED] + 1.0)
            _judge(state, floor, max_spread)
        state[_SIDE] = -side
        state[_CROSSED] = state[_CANDIDATE]
        state[_CANDIDATE] = math.nan
        state[_EXTREME] = state[_EXTREME_NEXT]
        state[_EXTREME_NEXT] = 0.0
    return state[_COUNT], state[_MEAN_HALF], state[_MEAN_PEAK]


@njit(cache=True)
def _half_cycle_run(z, band, floor, max_spread, max_missing, state, count, half, peak):  # type: ignore[no-untyped-def]
    for i in range(z.shape[0]):
        count[i], half[i], peak[i] = half_cycle_step(state, z[i], band, floor, max_spread, max_missing)


def half_cycles(z: FloatArray, rules: Rules, state: FloatArray | None = None) -> HalfCycles:
    """The tracker's answer after each sample of a block, going on from ``state``.

    z : shape (n,), a signal that swings about zero, trend taken out causally by the caller
    Raises ReadingsError if ``z`` is not one-dimensional or the state has another size.
    """
    z = np.ascontiguousarray(z, dtype=np.float64)
    after = half_cycle_state() if state is None else np.array(state, dtype=np.float64)
    if z.ndim != 1 or after.shape != (STATE_SIZE,):
        raise ReadingsError(
            f"half cycles: z has {z.ndim} dimensions and state shape {after.shape}; "
            f"wanted 1 and ({STATE_SIZE},): start a new state"
        )
    count, half, peak = (np.empty(z.shape[0]) for _ in range(3))
    _half_cycle_run(z, rules.band, rules.floor, rules.max_spread, rules.max_missing, after, count, half, peak)
    return HalfCycles(count, half, peak, after)
