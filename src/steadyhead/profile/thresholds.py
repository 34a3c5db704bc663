"""Set each threshold so that the station's own healthy history meets the false-alert budget.

The largest statistic of each day of the span is kept. A Gumbel law through those maxima gives the level that
would be passed as often as the budget allows. Readings that follow each other are alike, so limits for
independent samples are of no use; days hardly are. A span of too few days for that is resampled by blocks of
six hours that keep their time of day (``stats.bootstrap``).
"""

from __future__ import annotations

import numpy as np

from steadyhead.conditions.scene import gains
from steadyhead.profile.model import Thresholds
from steadyhead.stats.bootstrap import Resampling, ewma_maxima, tail_threshold_for_rate
from steadyhead.stats.ewma import ewma_chart
from steadyhead.types import FloatArray

SHARES = 5  # drift, swing, scatter, slow response; creep, failures and all with fixed limits share a fifth
LAST_SHARES = 15  # creep, failures, the rest
DAYS_A_YEAR = 365.25
HISTORIES = 200
DAY_S = 86400
SUSTAINED_S = 480  # on-delay of a failure to open
LEAST_DAYS = 5
# floor: no use in alerts that nobody would act on; cap: beyond this a span cannot be called healthy
DRIFT = (0.014, 0.035)
HUNTING = (0.022, 0.03)  # up to the mild limit: a swing beyond it is a fault, even if it was always there
SCATTER = (0.02, 0.10)  # up to the clear limit: at coarse sampling batches of demand scatter too
SLOW = (0.005, 0.10)
# The slow share remembers a day and more, so its daily maxima hang together and the law through them runs
# high: on 230 healthy runs of the sets that thresholds may see, no share passed 0.71 of it.
SLOW_OF_LAW = 0.8
ENTER = (0.015, 0.0315)
ENTER_OF_DRIFT = 0.9
FAILURE_OF_ENTER = 1.3  # failures and a changed set speak up from so many times ``enter_share``


def daily_tail(daily: FloatArray, per_year: float) -> float:
    """Level that daily maxima pass ``per_year`` times a year.

    daily : shape (n_days,), largest value of each day, NaN where there is none
    Returns NaN for fewer than 5 days.
    """
    known = daily[np.isfinite(daily)]
    if len(known) < LEAST_DAYS:
        return float("nan")
    return tail_threshold_for_rate(known, 1, min(per_year / DAYS_A_YEAR, 0.5), least=LEAST_DAYS)


def sustained_maxima(residual: FloatArray, tick_s: int) -> FloatArray:
    """Largest departure of each day that lasted as long as a failure must to be raised, shape (n_days,).

    residual : shape (n_ticks,), departures while regulating [share of set], NaN elsewhere
    The departure is the engine's quickest mean; what passes sooner than the on-delay raises nothing.
    """
    level = np.abs(ewma_chart(residual, gains(float(tick_s)).fast))
    level[np.isnan(residual)] = 0.0
    held = level.copy()
    for back in range(1, max(2, -(-SUSTAINED_S // tick_s))):
        np.minimum(held[back:], level[:-back], out=held[back:])
    per_day = max(1, DAY_S // tick_s)
    days = len(level) // per_day
    return np.asarray(held[: days * per_day].reshape(days, per_day).max(axis=1))


def resampled_level(residual: FloatArray, tick_s: int, per_year: float) -> float:
    """Level that the slow mean of departures passes ``per_year`` times a year, from a few days of them.

    residual : as for ``sustained_maxima``. NaN where there is less than a day of ticks.
    """
    per_day = max(1, DAY_S // tick_s)
    if len(residual) < per_day or not np.isfinite(residual).any():
        return float("nan")
    plan = Resampling(
        block=max(1, per_day // 4), run_length=10 * per_day, replicates=HISTORIES, season=per_day
    )
    maxima = ewma_maxima(residual, gains(float(tick_s)).drift, plan)
    return tail_threshold_for_rate(maxima, plan.run_length, per_year / DAYS_A_YEAR / per_day)


def learn_thresholds(
    daily: FloatArray, residual: FloatArray, tick_s: int, budget_per_year: float
) -> tuple[Thresholds, list[str]]:
    """Thresholds from what the engine and its quickest mean saw of the span.

    daily : shape (n_days, 4), largest statistic of each day: drift, swing, scatter, slow share
    residual : shape (n_ticks,), departures while regulating [share of set], NaN elsewhere
    Returns them with a sentence for each that had to be lowered to its cap.
    """
    share_per_year = budget_per_year / SHARES
    levels = [daily_tail(column, share_per_year) for column in daily.T]
    levels[3] *= SLOW_OF_LAW
    if np.isnan(levels[0]):
        levels[0] = resampled_level(residual, tick_s, share_per_year)
    remarks, values = [], []
    names = ("drift", "hunting", "scatter", "slow response")
    for level, (floor, cap), name in zip(levels, (DRIFT, HUNTING, SCATTER, SLOW), names, strict=True):
        if level > cap:
            remarks.append(
                f"The span is restless in {name}: {level:.3g} would meet the false-alert budget, "
                f"judged from {cap:.3g} on instead; expect more false alerts or learn from a calmer span."
            )
        values.append(floor if not level > floor else min(level, cap))
    drift, hunting, scatter, slow = values
    sustained = (
        daily_tail(sustained_maxima(residual, tick_s), budget_per_year / LAST_SHARES) / FAILURE_OF_ENTER
    )
    enter = max(ENTER_OF_DRIFT * drift, 0.0 if np.isnan(sustained) else sustained)
    return Thresholds(drift, float(np.clip(enter, *ENTER)), hunting, scatter, slow, budget_per_year), remarks
