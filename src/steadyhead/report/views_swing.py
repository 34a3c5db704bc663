"""The proof of hunting: the wave itself, and its amplitude by period."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from scipy.signal import detrend, periodogram

from steadyhead.diagnosis.phrases import duration_text
from steadyhead.report.scene import (
    INK,
    LEARNED,
    LEGEND,
    OUTLET,
    RAISED,
    TITLE_PAD,
    Scene,
    draw_band,
    draw_line,
    draw_zoom,
    plain,
    time_axis,
)
from steadyhead.types import BoolArray, FloatArray

SPECTRUM_ROWS = 4096
PERIODS_SHOWN = 30
IN_SECONDS_S = 180  # periods shorter than this are shown in seconds
ROWS_WITHOUT_PERIOD = 128  # enough to see single swings in the wave
LEAST_ROWS = 32  # fewer give a handful of points, which shows nothing


def draw_swing(axes: Axes, scene: Scene) -> str:
    """The busiest stretch of the episode as a wave, and below it amplitude by period."""
    step_s, period_s = scene.readings.step_s, scene.verdict.number("period_s")
    length = (
        ROWS_WITHOUT_PERIOD
        if period_s is None
        else int(np.clip(PERIODS_SHOWN * period_s / step_s, 64, SPECTRUM_ROWS))
    )
    now = _busiest(scene, scene.is_episode, length)
    before = _busiest(scene, scene.readings.times_s < scene.verdict.began_s, length)
    found = None if now is None else _amplitude_by_period(now.readings.outlet_kpa, step_s)
    if now is None or found is None:
        return draw_zoom(axes, scene)
    wave, spectrum = _split(axes)
    scale_s, unit = (1, "seconds") if (period_s or 2 * step_s) < IN_SECONDS_S else (60, "minutes")
    draw_band(wave, now)
    draw_line(wave, now, now.pressure(now.readings.outlet_kpa), OUTLET, "outlet")
    wave.set_title(f"The strongest swing, {now.dates}", loc="left", pad=TITLE_PAD)
    time_axis(wave, now)
    plain(wave, f"Outlet, {scene.units.pressure}")
    usual = None if before is None else _amplitude_by_period(before.readings.outlet_kpa, step_s)
    curves = [(usual, ":", INK, "strongest before"), (found, "-", RAISED, "while it lasted")]
    for curve, style, colour, label in curves:
        if curve is not None:
            x, y = curve[0] / scale_s, scene.pressure(curve[1])
            spectrum.plot(x, y, style, color=colour, lw=1.4, label=label, zorder=3)
    return _finish_spectrum(spectrum, scene, period_s, scale_s, unit)


def _finish_spectrum(axes: Axes, scene: Scene, period_s: float | None, scale_s: int, unit: str) -> str:
    shortest_s = 2 * scene.readings.step_s
    told = "the swing of the outlet and its amplitude by period, before and while it lasted"
    label = f"shortest the log can show, {duration_text(shortest_s)}"
    axes.axvline(shortest_s / scale_s, color=INK, ls="--", lw=1.2, label=label, zorder=2)
    if period_s is not None:
        label = f"when raised, {duration_text(period_s)}"
        axes.axvline(period_s / scale_s, color=LEARNED, ls="-.", lw=1.6, label=label, zorder=2)
        told += f"; the period {label}"
    axes.set_xscale("log")
    axes.set_ylim(bottom=0)
    for ticks in (axes.xaxis.set_major_formatter, axes.xaxis.set_minor_formatter):
        ticks(lambda value, _at: f"{value:g}" if f"{value:.0e}"[0] in "125" else "")
    axes.set_xlabel(f"Period, {unit}")
    plain(axes, f"Amplitude, {scene.units.pressure}")
    axes.legend(loc="best", **LEGEND)
    return told


def _busiest(scene: Scene, rows: BoolArray, length: int) -> Scene | None:
    """The stretch of at most ``length`` rows whose outlet moves most from row to row; None if too short."""
    chosen = np.flatnonzero(rows)
    if chosen.size < LEAST_ROWS:
        return None
    first, last = int(chosen[0]), int(chosen[-1]) + 1
    moves = np.nan_to_num(np.diff(scene.readings.outlet_kpa[first:last], prepend=np.nan)) ** 2
    total = np.concatenate([[0.0], np.cumsum(moves)])
    length = min(length, last - first)
    start = first + int(np.argmax(total[length:] - total[:-length]))
    return scene.rows(start, start + length)


def _split(axes: Axes) -> tuple[Axes, Axes]:
    """Two panels, one above the other, in the place of one."""
    figure, place = axes.get_figure(root=True), axes.get_subplotspec()
    if figure is None or place is None:
        raise ValueError("a proof is drawn into a panel of a figure")
    parts = place.subgridspec(2, 1)
    axes.remove()
    return figure.add_subplot(parts[0]), figure.add_subplot(parts[1])


def _amplitude_by_period(values_kpa: FloatArray, step_s: int) -> tuple[FloatArray, FloatArray] | None:
    """Period [s] and amplitude [kPa] of a sine of that period; None if there is too little to see."""
    known = np.isfinite(values_kpa)
    if known.sum() < LEAST_ROWS:
        return None
    rows = np.arange(values_kpa.shape[0])
    filled = np.interp(rows, rows[known], values_kpa[known])
    # A Hann window halves a sine, and the one-sided "spectrum" of a sine is its amplitude squared over two.
    frequency, power = periodogram(
        filled, fs=1.0 / step_s, window="hann", detrend=detrend, scaling="spectrum"
    )
    return 1.0 / frequency[1:], np.sqrt(2.0 * power[1:])
