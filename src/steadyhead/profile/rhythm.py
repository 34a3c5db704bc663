"""Learn the week of the flow."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import Rhythm
from steadyhead.profile.setpoint import group_quantile
from steadyhead.profile.span import Span, block_means, thinned

HOURS = 168
LEAST_WEEKS_S = 13 * 86400


def learn_rhythm(span: Span, cutoff_lps: float) -> Rhythm:
    """Flow by hour of the local week; working days lend each other their values."""
    flow = np.where(span.keep, span.flow_lps, np.nan)
    good = np.isfinite(flow)
    if not good.any():
        zero = (0.0,) * HOURS
        return Rhythm(zero, zero, zero, 0.0, 0.0, 0.0)
    size = max(1, 600 // span.tick_s)
    coarse = block_means(flow, size)
    hour = span.quarter[: len(coarse) * size : size] // 4
    fine = np.isfinite(coarse)
    if fine.sum() * size * span.tick_s < LEAST_WEEKS_S:
        hour = hour % 24  # too short to tell a Saturday from a Monday
    usual = _by_hour(coarse[fine], hour[fine], 0.5)
    high = _by_hour(coarse[fine], hour[fine], 0.98)
    zero_share = _by_hour_mean((coarse[fine] <= cutoff_lps).astype(np.float64), hour[fine])
    sample = thinned(flow[good])
    change = coarse[1:] - coarse[:-1]
    change = np.abs(change[np.isfinite(change)])
    return Rhythm(
        usual_lps=usual,
        high_lps=_with_neighbours(high),
        zero_share=zero_share,
        highest_lps=float(np.quantile(sample, 0.999)),
        daily_mean_lps=float(sample.mean()),
        change_lps=float(np.quantile(change, 0.95)) if len(change) else 0.0,
    )


def _with_neighbours(hours: tuple[float, ...]) -> tuple[float, ...]:
    """Highest of each hour and the ones beside it: people are not punctual."""
    values = np.asarray(hours)
    return tuple(float(v) for v in np.maximum(values, np.maximum(np.roll(values, 1), np.roll(values, -1))))


def _pooled(hour: np.ndarray) -> np.ndarray:
    """Group number of 72: hour of a working day, of Saturday, of Sunday."""
    day, of_day = hour // 24, hour % 24
    return np.where(day < 5, of_day, 24 * (day - 4) + of_day)


def _unpool(by_group: np.ndarray, fallback: np.ndarray) -> tuple[float, ...]:
    week = np.concatenate([by_group[:24]] * 5 + [by_group[24:48], by_group[48:72]])
    whole = np.tile(fallback, 7)
    week = np.where(np.isnan(week), whole, week)
    week = np.where(np.isnan(week), np.nanmedian(week), week)
    return tuple(float(v) for v in week)


def _by_hour(values: np.ndarray, hour: np.ndarray, q: float) -> tuple[float, ...]:
    return _unpool(group_quantile(values, _pooled(hour), 72, q), group_quantile(values, hour % 24, 24, q))


def _by_hour_mean(values: np.ndarray, hour: np.ndarray) -> tuple[float, ...]:
    def means(group: np.ndarray, n: int) -> np.ndarray:
        count = np.bincount(group, minlength=n)
        total = np.bincount(group, weights=values, minlength=n)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    return _unpool(means(_pooled(hour), 72), means(hour % 24, 24))
