"""Two-sided tabular CUSUM: the recursion, its average run length, and the threshold for a wanted one.

The recursion (``cusum_step``) carries its whole past in two numbers, so a series may be cut anywhere and
continued. The run-length figures hold for independent, normally distributed, standardised samples only;
for autocorrelated ones take the threshold from ``stats.bootstrap``.

Sources: Page, Biometrika 41 (1954) 100; Lucas & Crosier, Technometrics 24 (1982) 199; Montgomery,
Introduction to Statistical Quality Control, chapter on CUSUM charts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.optimize import brentq
from scipy.special import ndtr

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

STATE_SIZE = 4
"""Numbers in the state: upper sum, lower sum, samples since each was last zero."""

_NODES_PER_SD = 8.0  # Gauss-Legendre nodes per standard deviation of the interval; 8 gives 9 figures
_LEAST_NODES = 32


@dataclass(frozen=True, slots=True)
class CusumChart:
    """A CUSUM over one block.

    high, low : shape (n,), upper and lower sum after each sample, both >= 0, in units of ``z``
    high_count, low_count : shape (n,), samples since that sum was last zero; the change began about that
        many samples ago
    state : shape (4,), hand it to the next block
    """

    high: FloatArray
    low: FloatArray
    high_count: FloatArray
    low_count: FloatArray
    state: FloatArray


@njit(cache=True)
def cusum_step(high: float, low: float, z: float, allowance: float) -> tuple[float, float]:
    """Upper and lower sum after one more sample; a NaN sample leaves both as they are.

    z : the sample minus its target, in standard deviations;  allowance : k, same unit, usually half of
    the shift worth finding.
    """
    if math.isnan(z):
        return high, low
    return max(0.0, high + z - allowance), max(0.0, low - z - allowance)


@njit(cache=True)
def _cusum_run(z, allowance, state, high, low, high_count, low_count):  # type: ignore[no-untyped-def]
    up, down, up_count, down_count = state[0], state[1], state[2], state[3]
    for i in range(z.shape[0]):
        if not math.isnan(z[i]):
            up, down = cusum_step(up, down, z[i], allowance)
            up_count = up_count + 1.0 if up > 0.0 else 0.0
            down_count = down_count + 1.0 if down > 0.0 else 0.0
        high[i], low[i], high_count[i], low_count[i] = up, down, up_count, down_count
    state[0], state[1], state[2], state[3] = up, down, up_count, down_count


def cusum_chart(z: FloatArray, allowance: float, state: FloatArray | None = None) -> CusumChart:
    """Both sums over a block, going on from ``state`` (zero if none is given).

    z : shape (n,), samples minus target in standard deviations; NaN holds the sums
    allowance : k, same unit, not negative
    Raises ReadingsError if ``z`` is not one-dimensional, ``allowance`` is negative or the state has
    another size.
    """
    z = np.ascontiguousarray(z, dtype=np.float64)
    if z.ndim != 1 or not allowance >= 0.0:
        raise ReadingsError(
            f"CUSUM: z has {z.ndim} dimensions and allowance is {allowance}; "
            "give one dimension and an allowance of 0 or more"
        )
    after = np.zeros(STATE_SIZE) if state is None else np.array(state, dtype=np.float64)
    if after.shape != (STATE_SIZE,):
        raise ReadingsError(f"CUSUM: state has shape {after.shape}, wanted ({STATE_SIZE},); start a new one")
    high, low, high_count, low_count = (np.empty(z.shape[0]) for _ in range(4))
    _cusum_run(z, float(allowance), after, high, low, high_count, low_count)
    return CusumChart(high, low, high_count, low_count, after)


def one_sided_arl(threshold: float, allowance: float, shift: float = 0.0) -> float:
    """Average samples until the upper sum, started at zero, passes ``threshold``.

    threshold, allowance, shift : h, k and the true mean, in standard deviations of independent normal
    samples. Solves Page's integral equation by Gauss-Legendre quadrature.
    Raises ReadingsError if ``threshold`` is not positive.
    """
    if not threshold > 0.0:
        raise ReadingsError(f"CUSUM: threshold is {threshold}, wanted more than 0")
    count = max(_LEAST_NODES, math.ceil(_NODES_PER_SD * threshold))
    nodes, weights = np.polynomial.legendre.leggauss(count)
    x = 0.5 * threshold * (nodes + 1.0)
    w = 0.5 * threshold * weights
    start = np.concatenate(([0.0], x))  # the sum has an atom at zero, so zero is an unknown of its own
    move = start - allowance + shift  # mean of the next sum before it is cut at zero
    system = np.eye(count + 1)
    system[:, 0] -= ndtr(-move)
    system[:, 1:] -= w * np.exp(-0.5 * (x - move[:, None]) ** 2) / math.sqrt(2.0 * math.pi)
    return float(np.linalg.solve(system, np.ones(count + 1))[0])


def two_sided_arl(threshold: float, allowance: float, shift: float = 0.0) -> float:
    """Average samples until either sum passes ``threshold``, both started at zero.

    Source: 1/ARL = 1/ARL(up) + 1/ARL(down), van Dobben de Bruyn 1968, as in Lucas & Crosier 1982.
    """
    up = one_sided_arl(threshold, allowance, shift)
    down = one_sided_arl(threshold, allowance, -shift)
    return 1.0 / (1.0 / up + 1.0 / down)


def threshold_for_arl(arl: float, allowance: float, *, two_sided: bool = True) -> float:
    """Threshold h that gives ``arl`` samples between false alarms, for independent normal samples.

    Raises ReadingsError if ``arl`` cannot be had with a threshold from 0.05 to 60 standard deviations.
    """
    run_length = two_sided_arl if two_sided else one_sided_arl
    low, high = 0.05, 1.0
    while run_length(high, allowance) < arl and high < 60.0:
        high *= 1.5
    if not run_length(low, allowance) < arl <= run_length(high, allowance):
        raise ReadingsError(
            f"CUSUM: no threshold from {low} to {high:.3g} gives an average run length of {arl} "
            f"at allowance {allowance}; ask for another run length"
        )
    return float(brentq(lambda h: run_length(h, allowance) - arl, low, high, xtol=1e-10))
