"""Does a series go up or down, and how sure is that? For how fast see ``stats.robust.theil_sen``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import stats

from steadyhead.errors import ReadingsError
from steadyhead.types import FloatArray

_EXACT_UP_TO = 60  # samples without ties; beyond, the normal approximation is as good to three figures


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of the Mann-Kendall test.

    s : rising pairs minus falling pairs;  z : standardised, with continuity correction
    chance : two-sided chance of an |s| as large or larger without trend
    exact : whether ``chance`` comes from the exact distribution
    """

    s: int
    z: float
    chance: float
    exact: bool


def mann_kendall(values: FloatArray) -> MannKendall:
    """Test for a monotonic trend in independent samples; NaN samples are left out.

    values : shape (n,), in order of time. Exact for up to 60 samples without ties, otherwise normal with
    the variance corrected for ties.
    Sources: Mann, Econometrica 13 (1945) 245; Kendall, Rank Correlation Methods; exact distribution as in
    scipy.stats.kendalltau.
    Raises ReadingsError if fewer than 4 samples are left.
    """
    y = values[np.isfinite(values)]
    n = y.shape[0]
    if n < 4:
        raise ReadingsError(f"trend: {n} finite samples, Mann-Kendall wants 4 or more")
    s = sum(int(np.sign(y[lag:] - y[:-lag]).sum()) for lag in range(1, n))
    _, ties = np.unique(y, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float(np.sum(ties * (ties - 1) * (2 * ties + 5)))) / 18.0
    z = (s - np.sign(s)) / math.sqrt(variance) if variance > 0.0 else 0.0
    exact = n <= _EXACT_UP_TO and ties.shape[0] == n
    if exact:
        chance = float(stats.kendalltau(np.arange(n), y, method="exact").pvalue)
    else:
        chance = float(2.0 * stats.norm.sf(abs(z)))
    return MannKendall(s, float(z), min(1.0, chance), exact)
