"""Daily levels with band, control limits, trend and where it leads."""

from __future__ import annotations

import numpy as np

from steadyhead.weekly.model import Forecast, Trend
from steadyhead.weekly.pictures.base import (
    BAND,
    BEFORE,
    LEARNED,
    LEFT,
    OUTLET,
    RAISED,
    RIGHT,
    WIDTH,
    Picture,
    day_ticks,
)
from steadyhead.weekly.pictures.svg import Board, Panel, legend, room_for
from steadyhead.weekly.trend import DAY_S, Daily, control_limits, line_spread
from steadyhead.weekly.words import Words

HEIGHT, TOP, FOOT = 200.0, 40.0, 26.0
AHEAD_DAYS = 28


def drift_view(
    daily: Daily, trend: Trend, ahead: Forecast, half_kpa: float, from_s: int, time_zone: str, words: Words
) -> Picture | None:
    """The drift chart; ``from_s`` is the begin of the week, before it the limits are taken from."""
    if not np.isfinite(daily.level_kpa).any():
        return None
    units = words.units

    def shown(kpa: np.ndarray | float) -> np.ndarray:
        return np.asarray(units.pressure_from_kpa(np.asarray(kpa, dtype=np.float64)))

    end_s = trend.at_s + (AHEAD_DAYS * DAY_S if trend.is_clear else 2 * DAY_S)
    # from the last set change or repair on: two levels would make one pair of wide limits
    own = (daily.times_s < from_s) & (daily.times_s >= trend.from_s)
    limits = control_limits(daily.level_kpa[own])
    levels = shown(daily.level_kpa)
    half = float(shown(half_kpa))
    low, high = room_for(levels, levels=[-half, half])
    board = Board(WIDTH, HEIGHT)
    panel = Panel(
        board, LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - FOOT, float(daily.times_s[0] - DAY_S / 2),
        float(end_s), low, high,
    )  # fmt: skip
    x_band = np.array([panel.x_low, panel.x_high])
    panel.band(x_band, np.full(2, -half), np.full(2, half), BAND)
    panel.axes(day_ticks(panel.x_low, panel.x_high, time_zone, words), f"Level, {units.pressure}")
    entries = [("dot", OUTLET, "daily level"), ("band", BAND, "learned band")]
    if limits is not None:
        for value in limits[1:]:
            panel.level(float(shown(value)), BEFORE, width=1.6)
        entries.append(("dash", "#8c8c8c", "control limits"))
    if trend.why_not is None:
        _draw_trend(panel, trend, end_s, shown)
        entries.append(("line", RAISED if trend.is_clear else LEARNED, "trend, 95 % interval"))
    board.line(float(panel.x(from_s)), TOP, float(panel.x(from_s)), HEIGHT - FOOT, LEARNED, 1.0, "2 3")
    board.text(float(panel.x(from_s)) + 3, TOP + 26, "this week", colour=LEARNED)
    panel.dots(daily.times_s, levels, OUTLET, 4.0)
    panel.curve(daily.times_s, levels, OUTLET, 0.8)
    panel.level(half, LEARNED, "band", "1 0", 0.8)
    panel.level(-half, LEARNED, "", "1 0", 0.8)
    legend(board, LEFT, 12, entries)
    said = said_of(trend, ahead, time_zone, words)
    return Picture("drift", "Drift", said, f"Daily levels of five weeks. {said}", board.svg(said))


def _draw_trend(panel: Panel, trend: Trend, end_s: float, shown) -> None:  # type: ignore[no-untyped-def]
    at_s = np.linspace(trend.from_s, end_s if trend.is_clear else trend.at_s, 60)
    days = (at_s - trend.at_s) / DAY_S
    middle = trend.level + trend.slope * days
    spread = line_spread(trend, days)
    colour = RAISED if trend.is_clear else LEARNED
    panel.curve(at_s, shown(middle), colour, 2.0)
    panel.curve(at_s, shown(middle - spread), colour, 1.0, "3 2")
    panel.curve(at_s, shown(middle + spread), colour, 1.0, "3 2")


def said_of(trend: Trend, ahead: Forecast, time_zone: str, words: Words) -> str:
    """Trend and forecast in sentences."""
    if trend.why_not is not None:
        return f"No trend is given: {trend.why_not}."
    slope, low, high = (words.text(v, "rate") for v in (trend.slope, trend.slope_low, trend.slope_high))
    said = f"Trend {slope} (95 % interval {low} to {high}), from {trend.days} days."
    return f"{said} {forecast_text(trend, ahead, time_zone, words)}"


def forecast_text(trend: Trend, ahead: Forecast, time_zone: str, words: Words) -> str:
    """When the band is left, in a sentence."""
    if ahead.why_not is not None:
        return f"No forecast: {ahead.why_not}."
    if ahead.is_out:
        return "The level is outside its band."
    if ahead.days is None:
        return "At this rate it stays within its band for 26 weeks or more."

    def day(days: float) -> str:
        return words.date(trend.at_s + days * DAY_S, time_zone)

    early = "" if ahead.earliest_days is None else day(ahead.earliest_days)
    late = "an open end" if ahead.latest_days is None else day(ahead.latest_days)
    side = "at its upper edge" if ahead.side == "high" else "at its lower edge"
    return f"At this rate it leaves its band {side} on {day(ahead.days)} (95 %: {early} to {late})."
