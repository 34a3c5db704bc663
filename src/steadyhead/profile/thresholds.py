"""Set each threshold so that the station's own healthy history meets the false-alert budget."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import Thresholds
from steadyhead.types import FloatArray

SHARES = 5  # drift, counted swing, scatter, slow response; a fifth is left for all that has fixed limits
# floor: no use in alerts that nobody would act on; cap: beyond this a span cannot be called healthy
DRIFT = (0.014, 0.035)
HUNTING = (0.022, 0.12)
SCATTER = (0.02, 0.30)
SLOW = (0.006, 0.10)


def daily_tail(daily: FloatArray, per_year: float) -> float:
    """Level that daily maxima pass ``per_year`` times a year.

    daily : shape (n_days,), largest value of each day; fitted by a Gumbel law with L-moments (Hosking 1990:
    scale = l2/ln 2, location = mean - 0.5772 scale). Returns NaN for fewer than 5 days.
    """
    x = np.sort(daily[np.isfinite(daily)])
    n = len(x)
    if n < 5:
        return float("nan")
    b0 = x.mean()
    b1 = (np.arange(n) * x).sum() / (n * (n - 1))
    scale = max((2 * b1 - b0) / np.log(2), 0.0)
    location = b0 - 0.5772156649 * scale
    return float(location - scale * np.log(-np.log1p(-min(per_year / 365.25, 0.5))))


def learn_thresholds(daily: FloatArray, budget_per_year: float) -> tuple[Thresholds, list[str]]:
    """Thresholds from daily maxima, shape (n_days, 4): drift, swing, scatter, slow share.

    Returns them with a sentence for each that had to be widened to the cap.
    """
    remarks = []
    values = []
    names = ("drift", "hunting", "scatter", "slow response")
    for column, (floor, cap), name in zip(daily.T, (DRIFT, HUNTING, SCATTER, SLOW), names, strict=True):
        level = daily_tail(column, budget_per_year / SHARES)
        if not level > floor:
            level = floor
        if level > cap:
            remarks.append(
                f"The span is restless in {name}: {level:.3g} would meet the false-alert budget, "
                f"judged from {cap:.3g} on instead; expect more false alerts or learn from a calmer span."
            )
            level = cap
        values.append(level)
    drift, hunting, scatter, slow = values
    return Thresholds(drift, max(0.015, 0.9 * drift), hunting, scatter, slow, budget_per_year), remarks
