"""Did the span hold one level from its first day to its last?

A step or a slow drift inside the span would otherwise widen the limits that are learned from it, until the
fault counts as normal. The level of a day is its median departure while regulating. Days are nearly
independent of each other, so a textbook chart (``stats.cusum``) and a trend test (``stats.trend``) hold for
them. In a span of more than two months the seasons move the level too, so nothing is said of such a one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from steadyhead.profile.model import Profile
from steadyhead.profile.setpoint import group_quantile, set_now_kpa
from steadyhead.profile.span import Parts, Span, regulating_ticks, thinned
from steadyhead.stats.cusum import cusum_chart, threshold_for_arl
from steadyhead.stats.robust import mad_scale, theil_sen
from steadyhead.stats.trend import mann_kendall
from steadyhead.types import FloatArray

DAY_S = 86400
QUARTERS_A_DAY = 96
MEMORY_S = 6 * 3600  # three times the drift mean's
MOVED = 0.012  # of set: a little less than the least drift that is ever alerted
LEAST_DAYS = 3  # for a stretch to count as another level, and for one to be learned from
LEAST_REST = 0.5  # of the days
LEAST_LEVELS = 6  # days with a level, below which nothing is said
MOST_DAYS = 62
LEAST_SHARE = 0.1  # of a day's ticks, for it to have a level
LEAST_SD = 0.0015  # of set: weather and transmitters move the level of a day by as much
DAYS_BETWEEN_FALSE = 3650.0  # of a steady station
TREND_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class Stretch:
    """Days in a row on another level than most: first and last day, and how far off [share of set]."""

    first: int
    last: int
    off: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Change over the whole span, with its interval of 95 % [shares of set]."""

    change: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What became of the level over the span; nothing, where it is steady.

    stretches : days to leave out; trend : what is left goes one way
    rest : share of the days on the level of most; where it is less than half, nothing can be left out
    """

    stretches: tuple[Stretch, ...] = ()
    trend: Trend | None = None
    rest: float = 1.0

    @property
    def is_steady(self) -> bool:
        """Nothing was found."""
        return not self.stretches and not self.is_loose

    @property
    def is_loose(self) -> bool:
        """Leaving days out does not make it steady."""
        return self.trend is not None or self.rest < LEAST_REST


def daily_levels(span: Span, profile: Profile, from_tick: int = 0) -> FloatArray:
    """Median departure of each day from most days, while regulating [share of set]; NaN where it hardly did.

    from_tick : where the first day begins. Shape (n_days,), the last day may be a part of one.
    """
    regulating = regulating_ticks(
        span,
        profile.has_inlet,
        profile.has_flow,
        profile.lock_up.cutoff_lps,
        profile.set_pressure.typical_kpa,
    )
    per_day = max(1, DAY_S // span.tick_s)
    days = -(-(len(span) - from_tick) // per_day)
    all_rows = np.flatnonzero(regulating[from_tick:])
    rows = thinned(all_rows)
    enough = np.bincount(all_rows // per_day, minlength=days) >= LEAST_SHARE * per_day
    departure = _departure_kpa(span, profile, rows + from_tick) / profile.set_pressure.typical_kpa
    seen = np.isfinite(departure)
    levels = group_quantile(departure[seen], (rows // per_day)[seen], days, 0.5)
    return np.where(enough, levels, np.nan)


def _departure_kpa(span: Span, profile: Profile, rows: np.ndarray) -> FloatArray:
    """Outlet less what flow and inlet explain and what most days held at that time of day [kPa].

    A schedule found in the span is not taken as given: a few days on another level can look like one.
    """
    droop, pressure, departure = profile.droop, profile.set_pressure, span.outlet_kpa[rows]
    if pressure.source in ("commanded", "schedule declared"):
        departure = departure - set_now_kpa(span, pressure)[rows]
    if profile.has_flow:
        departure = departure - np.interp(span.flow_lps[rows], droop.flow_lps, droop.offset_kpa)
    if profile.has_inlet:
        inlet = span.inlet_kpa[rows]
        departure = departure - droop.inlet_ratio * np.where(np.isnan(inlet), 0.0, inlet - droop.inlet_kpa)
    quarter = span.quarter[rows] % QUARTERS_A_DAY
    seen = np.isfinite(departure)
    usual = group_quantile(departure[seen], quarter[seen], QUARTERS_A_DAY, 0.5)
    return np.asarray(departure - usual[quarter])


def steadiness(levels: FloatArray) -> Steadiness:
    """What became of the level; levels : shape (n_days,), from ``daily_levels``."""
    seen = np.flatnonzero(np.isfinite(levels))
    if len(seen) < LEAST_LEVELS:
        return Steadiness()
    x = levels[seen]
    sd = max(mad_scale(np.diff(x)) / math.sqrt(2.0), LEAST_SD)
    # half of the shift worth finding, as the chart wants it; steps of 0.05, so that limits are found again
    allowance = round(min(max(0.5 * MOVED / sd, 0.25), 1.5) * 20.0) / 20.0
    z = (x - _where_most_are(x)) / sd
    chart = cusum_chart(z, allowance)
    stretches, odd = [], np.zeros(len(x), dtype=bool)
    for sums in (chart.high, chart.low):
        for first, last in _excursions(sums, _limit(allowance)):
            # the sum may have begun to rise by chance
            away = first + np.flatnonzero(np.abs(z[first : last + 1]) * sd > 0.5 * MOVED)
            if len(away) < LEAST_DAYS:
                continue
            first, last = int(away[0]), int(away[-1])
            off = float(z[first : last + 1].mean()) * sd
            if abs(off) >= MOVED:
                stretches.append(Stretch(int(seen[first]), int(seen[last]), off))
                odd[first : last + 1] = True
    rest = float(1.0 - odd.mean())
    if rest < LEAST_REST:
        return Steadiness((), _trend(seen, x), rest)
    found = tuple(sorted(stretches, key=lambda s: s.first))
    return Steadiness(found, _trend(seen[~odd], x[~odd]), rest)


def steadiness_of(span: Span, profile: Profile) -> Steadiness:
    """What became of the level over the span; nothing is said of one of more than ``MOST_DAYS``."""
    if len(span) * span.tick_s > MOST_DAYS * DAY_S:
        return Steadiness()
    return steadiness(daily_levels(span, profile))


def days_as_parts(days: Sequence[tuple[int, int]], start_s: int) -> Parts:
    """First and last days as stretches of time, and what the engine's running means remember of them.

    start_s : when day 0 begins
    """
    return [(float(start_s + DAY_S * a), float(start_s + DAY_S * (b + 1) + MEMORY_S)) for a, b in days]


def stretch_line(stretch: Stretch) -> str:
    """Why days were left out, and what it may be."""
    way = "above" if stretch.off > 0 else "below"
    return (
        f"in which the outlet stood {abs(stretch.off):.1%} of set {way} that of most days. If it was meant, "
        "learn from the days since; if not, the span itself holds a fault."
    )


def unsteady_line(steady: Steadiness, set_kpa: float) -> str:
    """What the span did that no healthy one does."""
    if steady.trend is None:
        return (
            "The span held no one level: its days lie on several, none of which has half of them. It looks "
            "faulty itself; learn from a calmer one, or repair first."
        )
    t = steady.trend
    return (
        f"Over the span the outlet {'rose' if t.change > 0 else 'fell'} steadily, by {abs(t.change):.1%} of "
        f"set or {abs(t.change) * set_kpa:.0f} kPa (95 %: {abs(t.low):.1%} to {abs(t.high):.1%}): the span "
        "itself looks like a drift. Departures are judged from its middle. Learn from before it began, or "
        "repair first."
    )


@lru_cache(maxsize=64)
def _limit(allowance: float) -> float:
    return threshold_for_arl(DAYS_BETWEEN_FALSE, allowance)


def _where_most_are(x: FloatArray) -> float:
    """Median of the half of the values that lie closest together."""
    ordered = np.sort(x)
    half = len(x) // 2 + 1
    first = int(np.argmin(ordered[half - 1 :] - ordered[: len(x) - half + 1]))
    return float(np.median(ordered[first : first + half]))


def _excursions(sums: FloatArray, limit: float) -> list[tuple[int, int]]:
    """From the first sample above zero to the highest, of each stay above zero that passes the limit."""
    above = np.flatnonzero(np.diff(np.concatenate([[0], (sums > 0).astype(np.int8), [0]])))
    found = []
    for first, end in zip(above[::2], above[1::2], strict=True):
        top = int(first + np.argmax(sums[first:end]))
        if sums[top] > limit:
            found.append((int(first), top))
    return found


def _trend(days: np.ndarray, x: FloatArray) -> Trend | None:
    if len(x) < LEAST_LEVELS or mann_kendall(x).chance > TREND_CHANCE:
        return None
    line = theil_sen(days.astype(np.float64), x)
    length = float(days[-1] - days[0])
    if abs(line.slope) * length < MOVED or line.slope_low * line.slope_high <= 0.0:
        return None
    low, high = sorted((line.slope_low * length, line.slope_high * length), key=abs)
    return Trend(line.slope * length, low, high)
