"""EWMA: the recursion, its limits, and the average run length within them.

The recursion (``ewma_step``) carries its whole past in one number, so a series may be cut anywhere and
continued. The run-length figures hold for independent, normally distributed, standardised samples only;
for autocorrelated ones take the limit from ``stats.bootstrap``.

Sources: Roberts, Technometrics 1 (1959) 239; Crowder, Technometrics 29 (1987) 401; Lucas & Saccucci,
Technometrics 32 (1990) 1.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

_NODES_PER_WIDTH = 6.0  # quadrature nodes per kernel standard deviation; 6 reproduces 10 published figures
_LEAST_NODES = 40
_MOST_NODES = 1200  # enough for weight 0.001 and a limit of 4


@njit(cache=True)
def ewma_step(level: float, z: float, weight: float) -> float:
    """Level after one more sample: level + weight (z - level); a NaN sample leaves it as it is."""
    if math.isnan(z):
        return level
    return level + weight * (z - level)


@njit(cache=True)
def _ewma_run(z, weight, level, out):  # type: ignore[no-untyped-def]
    for i in range(z.shape[0]):
        level = ewma_step(level, z[i], weight)
        out[i] = level


def ewma_chart(z: FloatArray, weight: float, level: float = 0.0) -> FloatArray:
    """Level after each sample of a block, going on from ``level``; shape (n,), unit of ``z``.

    The last value is the level to hand to the next block. NaN samples hold the level.
    weight : lambda, 0 < weight <= 1.
    Raises ReadingsError if ``z`` is not one-dimensional or the weight is out of range.
    """
    z = np.ascontiguousarray(z, dtype=np.float64)
    _check_weight(weight)
    if z.ndim != 1:
        raise ReadingsError(f"EWMA: z has {z.ndim} dimensions, wanted 1")
    out = np.empty(z.shape[0])
    _ewma_run(z, float(weight), float(level), out)
    return out


def fixed_limit(width: float, weight: float) -> float:
    """Limit of the level, in standard deviations of ``z``: L sqrt(weight / (2 - weight))."""
    _check_weight(weight)
    return width * math.sqrt(weight / (2.0 - weight))


def two_sided_arl(width: float, weight: float, shift: float = 0.0) -> float:
    """Average samples until the level, started at zero, leaves its fixed limits.

    width : L, in standard deviations of the settled level;  shift : true mean of the independent normal
    samples, in their standard deviations.
    Source: Crowder 1987, integral equation, by Gauss-Legendre quadrature.
    Raises ReadingsError if the width is not positive or the weight is out of (0, 1].
    """
    if not width > 0.0:
        raise ReadingsError(f"EWMA: width is {width}, wanted more than 0")
    limit = fixed_limit(width, weight)
    count = min(_MOST_NODES, max(_LEAST_NODES, math.ceil(_NODES_PER_WIDTH * 2.0 * limit / weight)))
    nodes, weights = np.polynomial.legendre.leggauss(count)
    x = limit * nodes
    w = limit * weights

    def chance(u: FloatArray) -> FloatArray:
        """Weighted chance of going from level u to level x; shape (len(u), count)."""
        sample = (x - (1.0 - weight) * u[:, None]) / weight - shift
        density: FloatArray = w * np.exp(-0.5 * sample**2) / (weight * math.sqrt(2.0 * math.pi))
        return density

    at_nodes = np.linalg.solve(np.eye(count) - chance(x), np.ones(count))
    return float(1.0 + (chance(np.zeros(1)) @ at_nodes)[0])


def _check_weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise ReadingsError(f"EWMA: weight is {weight}, wanted more than 0 and at most 1")
