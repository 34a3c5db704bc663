"""Chart thresholds for autocorrelated samples, by block bootstrap of a healthy history.

A textbook threshold assumes independent normal samples; on correlated ones it alarms far too often. Here the
chart is run over many resampled histories, made of whole blocks so that the correlation inside a block is
kept, and the threshold is read from the maxima.

Sources: Künsch, Annals of Statistics 17 (1989) 1217 (moving blocks); Politis & Romano 1992 (circular
blocks); Politis 2001 (seasonal blocks: a block may only begin at the phase it will be placed at);
Hosking, J. R. Statist. Soc. B 52 (1990) 105 (Gumbel distribution from L-moments).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit

from steadyhead.errors import ReadingsError
from steadyhead.stats.ewma import ewma_step
from steadyhead.types import FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Resampling:
    """How histories are made.

    block : samples per block; several times the correlation time, and a whole season where there is one
    run_length : samples per resampled history
    replicates : number of histories
    season : samples per season (a day, say); 1 where there is none. A block keeps its phase
    seed : of the random generator; the same seed gives the same threshold
    """

    block: int
    run_length: int
    replicates: int = 1000
    season: int = 1
    seed: int = 0


@njit(cache=True)
def _ewma_maxima(values, starts, block, run_length, weight, out):  # type: ignore[no-untyped-def]
    n = values.shape[0]
    for r in range(starts.shape[0]):
        level, peak = 0.0, 0.0
        for i in range(run_length):
            at = (starts[r, i // block] + i % block) % n
            level = ewma_step(level, values[at], weight)
            peak = max(peak, abs(level))
        out[r] = peak


def ewma_maxima(residuals: FloatArray, weight: float, plan: Resampling) -> FloatArray:
    """Largest EWMA level of each resampled history, started at zero; shape (replicates,).

    residuals : shape (n,), centred on zero; a NaN holds the chart and takes its time, as it does live
    Raises ReadingsError if there is less than one block of residuals or the plan does not fit.
    """
    values, starts = _draw(residuals, plan)
    out = np.empty(plan.replicates)
    _ewma_maxima(values, starts, plan.block, plan.run_length, float(weight), out)
    return out


def tail_threshold_for_rate(
    maxima: FloatArray, run_length: int, alarms_per_sample: float, least: int = 20
) -> float:
    """Threshold for a rate so small that the maxima alone cannot reach it.

    maxima : shape (n,), of runs of ``run_length`` samples each, resampled or as they were
    Fits a Gumbel distribution to the maxima (L-moments) and reads the threshold from its tail. The maxima of
    an EWMA of normal samples fall faster than its tail, so there the threshold errs to the high side.
    Take ``run_length`` well above the memory of the chart, and well below the history resampled from.
    Raises ReadingsError if the rate is not positive or there are fewer than ``least`` maxima.
    """
    if not alarms_per_sample > 0.0 or maxima.shape[0] < least:
        raise ReadingsError(
            f"bootstrap: {maxima.shape[0]} maxima and {alarms_per_sample} alarms per sample, "
            f"wanted {least} or more and a positive rate"
        )
    ordered = np.sort(maxima)
    n = ordered.shape[0]
    second = 2.0 * float(np.mean(np.arange(n) / (n - 1) * ordered)) - float(np.mean(ordered))
    scale = second / math.log(2.0)
    place = float(np.mean(ordered)) - float(np.euler_gamma) * scale
    return place - scale * math.log(alarms_per_sample * run_length)


def _draw(residuals: FloatArray, plan: Resampling) -> tuple[FloatArray, IntArray]:
    """Values to draw from (whole seasons of them) and block starts, shape (replicates, blocks)."""
    values = np.ascontiguousarray(residuals, dtype=np.float64)
    if min(plan.block, plan.run_length, plan.replicates, plan.season) < 1:
        raise ReadingsError(f"bootstrap: every number of {plan} must be 1 or more")
    # cut to whole seasons, so that a block which wraps round the end keeps its phase
    values = values[: values.shape[0] // plan.season * plan.season]
    if values.ndim != 1 or values.shape[0] < max(plan.block, 2) or not np.isfinite(values).any():
        raise ReadingsError(
            f"bootstrap: residuals have shape {values.shape} in whole seasons of {plan.season}, "
            f"wanted at least one block of {plan.block} with finite values; learn from a longer span"
        )
    blocks = -(-plan.run_length // plan.block)
    random = np.random.default_rng(plan.seed)
    seasons = values.shape[0] // plan.season
    starts = random.integers(0, seasons, size=(plan.replicates, blocks), dtype=np.int64) * plan.season
    phase = np.arange(blocks, dtype=np.int64) * plan.block % plan.season
    return values, starts + phase
