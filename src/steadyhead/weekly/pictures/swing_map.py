"""Oscillation map: amplitude of the outlet by time and period."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.signal import detrend, periodogram

from steadyhead.diagnosis.phrases import duration_text
from steadyhead.readings.frame import Readings
from steadyhead.types import FloatArray
from steadyhead.weekly.pictures.base import LEFT, RIGHT, WIDTH, Picture, day_ticks
from steadyhead.weekly.pictures.svg import Board, Panel
from steadyhead.weekly.words import Words

SEGMENT_S = 6 * 3600
STEPS = 24
LONGEST_S = 3600.0  # longer ones are the day's own rhythm
LEAST_KNOWN = 0.6  # of a segment's rows
LEAST_ROWS = 16
HEIGHT, TOP, FOOT = 165.0, 30.0, 26.0
SHADES = ("#f6f6f3", "#dfe7ec", "#b9cfdd", "#8db4cd", "#5a94ba", "#23709f", "#0b4f78", "#062f4a")


@dataclass(frozen=True, slots=True)
class SwingMap:
    """Amplitudes [kPa], shape (n_segments, STEPS), NaN where too little is known.

    edges_s : shape (STEPS + 1,), periods between which each step lies, rising [s]; starts_s : of segments
    """

    starts_s: FloatArray
    edges_s: FloatArray
    amplitude_kpa: FloatArray


def swing_map(readings: Readings, from_s: int, to_s: int) -> SwingMap:
    """Largest amplitude within each step of period, for each six hours of the span.

    A Hann window halves a sine, and the one-sided "spectrum" of a sine is its amplitude squared over two.
    """
    shortest_s = 2.0 * readings.step_s
    edges = np.geomspace(shortest_s, max(LONGEST_S, 8.0 * shortest_s), STEPS + 1)
    starts = np.arange(from_s, to_s, SEGMENT_S, dtype=np.float64)
    table = np.full((len(starts), STEPS), np.nan)
    for n, start in enumerate(starts):
        part = readings.between(int(start), int(start) + SEGMENT_S).outlet_kpa
        known = np.isfinite(part)
        rows = SEGMENT_S // readings.step_s
        if known.sum() < max(LEAST_ROWS, LEAST_KNOWN * rows):
            continue
        at = np.arange(part.shape[0])
        filled = np.interp(at, at[known], part[known])
        frequency, power = periodogram(
            filled, fs=1.0 / readings.step_s, window="hann", detrend=detrend, scaling="spectrum"
        )
        period = 1.0 / frequency[1:]
        amplitude = np.sqrt(2.0 * power[1:])
        step = np.searchsorted(edges, period, side="right") - 1
        step[period >= edges[-1]] = -1
        step[np.isclose(period, shortest_s)] = 0
        for k in range(STEPS):
            own = amplitude[step == k]
            table[n, k] = own.max() if own.size else 0.0
    return SwingMap(starts, edges, table)


def swing_view(readings: Readings, from_s: int, to_s: int, time_zone: str, words: Words) -> Picture | None:
    """The map as a picture; None where nothing is known."""
    found = swing_map(readings, from_s, to_s)
    known = found.amplitude_kpa[np.isfinite(found.amplitude_kpa)]
    if not known.size:
        return None
    top = float(known.max())
    scale = max(float(np.quantile(known, 0.995)), 1e-9)
    board = Board(WIDTH, HEIGHT)
    low, high = math.log10(found.edges_s[0]), math.log10(found.edges_s[-1])
    panel = Panel(board, LEFT, TOP, WIDTH - LEFT - RIGHT, HEIGHT - TOP - FOOT, from_s, to_s, low, high)
    for n, start in enumerate(found.starts_s):
        x1, x2 = (float(v) for v in panel.x(np.array([start, min(start + SEGMENT_S, to_s)])))
        for k in range(STEPS):
            value = found.amplitude_kpa[n, k]
            if not math.isfinite(value) or value <= 0.0:
                continue
            shade = SHADES[min(len(SHADES) - 1, int(len(SHADES) * value / scale))]
            y1, y2 = (float(v) for v in panel.y(np.log10(found.edges_s[[k, k + 1]])))
            board.box(x1, y2, x2 - x1 + 0.3, y1 - y2 + 0.3, shade)
    for value in (2, 10, 30, 60, 120, 300, 600, 1800, 3600, 7200):
        if found.edges_s[0] <= value <= found.edges_s[-1]:
            y = float(panel.y(math.log10(value)))
            board.text(LEFT - 5, y + 4, duration_text(value), anchor="end")
    for at, label in day_ticks(from_s, to_s, time_zone, words):
        board.line(float(panel.x(at)), TOP, float(panel.x(at)), HEIGHT - FOOT, "#ffffff", 0.8)
        if at < to_s:
            board.text(float(panel.x(at)), HEIGHT - FOOT + 14, label, anchor="middle")
    board.text(LEFT, TOP - 8, "Period of the swing")
    _scale_bar(board, scale, words)
    row, column = divmod(int(np.nanargmax(found.amplitude_kpa)), STEPS)
    period = math.sqrt(found.edges_s[column] * found.edges_s[column + 1])
    said = (
        f"Strongest: {words.text(top, 'pressure')} amplitude at a period of about {duration_text(period)}, "
        f"in the six hours from {words.moment(float(found.starts_s[row]), time_zone)}."
    )
    return Picture(
        "swings",
        "Oscillation map",
        said,
        f"Amplitude of the outlet by time and period. {said}",
        board.svg(said),
    )


def _scale_bar(board: Board, scale_kpa: float, words: Words) -> None:
    x, height = WIDTH - RIGHT + 14, (HEIGHT - TOP - FOOT) / len(SHADES)
    for n, shade in enumerate(SHADES):
        board.box(x, HEIGHT - FOOT - (n + 1) * height, 14, height, shade)
    board.text(x + 19, TOP + 9, words.text(scale_kpa, "pressure"))
    board.text(x + 19, HEIGHT - FOOT, "0")
    board.text(x, TOP - 8, "amplitude")
