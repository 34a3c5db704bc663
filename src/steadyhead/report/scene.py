"""One alert made ready for drawing: the span to show, in the units and the time zone people chose."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
from matplotlib.axes import Axes

from steadyhead.alerts.model import Verdict
from steadyhead.readings.frame import Readings
from steadyhead.report.band import Band
from steadyhead.report.clock import span_text, ticks
from steadyhead.report.thinning import thin
from steadyhead.types import BoolArray, FloatArray
from steadyhead.units import UnitSystem

DAY_S = 86_400.0  # matplotlib counts days since 1970

# Okabe and Ito's set, told apart with every common kind of colour blindness; each also differs by form.
OUTLET, INLET, FLOW, LEARNED, RAISED, OTHER = "#0072B2", "#56606B", "#009E73", "#B07A00", "#C44601", "#CC79A7"
BAND_FILL = "#E3D3A6"
LEGEND: dict[str, Any] = {"fontsize": 8.5, "framealpha": 0.9, "edgecolor": "none"}
INK, FAINT = "#222222", "#8C8C8C"

LEAST_AROUND_S = 6 * 3600  # shown before the onset and after the raise at least
ZOOM_S = 4 * 3600  # shown on both sides of the raise in a close view
WORD_SHARE = 0.09  # of a panel that "raised" takes
TITLE_PAD = 16  # room for the words over the marked moments
SHARE_AROUND = 0.5  # of the episode's own length, shown before it


@dataclass(frozen=True, slots=True)
class Scene:
    """What the drawing functions need; ``readings`` and ``band`` cover the span shown."""

    verdict: Verdict
    readings: Readings
    band: Band
    units: UnitSystem
    zone: ZoneInfo

    @property
    def days(self) -> FloatArray:
        """Times as matplotlib's days, shape (n_readings,)."""
        return self.readings.times_s / DAY_S

    @property
    def is_episode(self) -> BoolArray:
        """Rows from the onset to the end of the episode."""
        times_s = self.readings.times_s
        return np.asarray((times_s >= self.verdict.began_s) & (times_s <= last_of(self.verdict)))

    @property
    def dates(self) -> str:
        """The days shown, in words."""
        times_s = self.readings.times_s
        return span_text(float(times_s[0]), float(times_s[-1]), self.zone)

    def pressure(self, kpa: FloatArray) -> FloatArray:
        """Pressures in the units people chose."""
        return self.units.pressure_from_kpa(kpa)

    def flow(self, lps: FloatArray) -> FloatArray:
        """Flows in the units people chose."""
        return self.units.flow_from_lps(lps)

    def between(self, from_s: float, to_s: float) -> Scene:
        """The same alert over a shorter span."""
        first, last = np.searchsorted(self.readings.times_s, [from_s, to_s])
        return self.rows(int(first), int(last))

    def rows(self, first: int, last: int) -> Scene:
        """The same alert over rows ``first`` to ``last`` (not included)."""
        return Scene(
            self.verdict, self.readings.rows(first, last), self.band.rows(first, last), self.units, self.zone
        )


def last_of(verdict: Verdict) -> int:
    """Last data time of the episode: its end, or while it lasts the last time seen."""
    if verdict.ended_s is not None:
        return max(verdict.ended_s, verdict.raised_s)
    return max(verdict.updated_s, verdict.raised_s, verdict.window_s[1])


def scene_of(verdict: Verdict, readings: Readings, band: Band, units: UnitSystem, time_zone: str) -> Scene:
    """The alert with enough before its onset to show what was normal."""
    band.check(readings)
    last_s = last_of(verdict)
    around_s = max(LEAST_AROUND_S, SHARE_AROUND * (last_s - verdict.began_s))
    whole = Scene(verdict, readings, band, units, ZoneInfo(time_zone))
    return whole.between(verdict.began_s - around_s, last_s + LEAST_AROUND_S)


def draw_line(
    axes: Axes, scene: Scene, values: FloatArray, colour: str, label: str, style: str = "-"
) -> None:
    """A channel over time, thinned so that its peaks stay; nothing if it is all missing."""
    if not np.isfinite(values).any():
        return
    rows = thin(values)
    axes.plot(scene.days[rows], values[rows], style, color=colour, lw=1.1, label=label, zorder=3)


def draw_band(axes: Axes, scene: Scene) -> None:
    """The learned band as an area and its middle as a dashed line."""
    band = scene.band
    rows = np.union1d(thin(band.low_kpa), thin(band.high_kpa))
    if np.isfinite(band.low_kpa).any():
        low, high = scene.pressure(band.low_kpa[rows]), scene.pressure(band.high_kpa[rows])
        axes.fill_between(scene.days[rows], low, high, color=BAND_FILL, lw=0, label="learned band", zorder=1)
    draw_line(axes, scene, scene.pressure(band.expected_kpa), LEARNED, "expected", "--")


def mark_moments(axes: Axes, scene: Scene, *, name_them: bool) -> None:
    """Onset and raise as upright lines, told apart by dash and by word."""
    verdict = scene.verdict
    moments = [(verdict.began_s, ":", "began", "right"), (verdict.raised_s, "-", "raised", "left")]
    if verdict.ended_s is not None:
        moments.append((verdict.ended_s, "--", "ended", "left"))
    low, high = scene.days[0], scene.days[-1]
    written = -np.inf
    for at_s, style, word, side in moments:
        day = at_s / DAY_S
        if not low <= day <= high:
            continue
        axes.axvline(day, color=RAISED, ls=style, lw=1.4, zorder=2)
        if not name_them or (side == "left" and day - written < WORD_SHARE * (high - low)):
            continue  # the word would stand on the one before
        written = day if side == "left" else written
        aside = -3 if side == "right" else 3
        axes.annotate(
            word, (day, 1.0), xycoords=("data", "axes fraction"), xytext=(aside, 2),
            textcoords="offset points", ha=side, va="bottom", color=RAISED, fontsize=9,
        )  # fmt: skip


def time_axis(axes: Axes, scene: Scene) -> None:
    """Dates and hours of the station's own clock."""
    times_s = scene.readings.times_s
    placed = ticks(float(times_s[0]), float(times_s[-1]), scene.zone)
    axes.set_xticks([at_s / DAY_S for at_s, _ in placed], [text for _, text in placed])
    if len(scene.readings) > 1:
        axes.set_xlim(scene.days[0], scene.days[-1])


def plain(axes: Axes, ylabel: str) -> None:
    """The look shared by all panels: few lines, readable text."""
    axes.set_ylabel(ylabel)
    axes.grid(visible=True, color="#E6E6E6", lw=0.6, zorder=0)
    axes.set_axisbelow(True)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def is_missing(values: FloatArray) -> bool:
    """Whether a channel has no finite value at all."""
    return not np.isfinite(values).any()


def draw_zoom(axes: Axes, scene: Scene) -> str:
    """The outlet around the raise: drawn where the wanted view needs a channel that is missing."""
    near = scene.between(scene.verdict.raised_s - ZOOM_S, scene.verdict.raised_s + ZOOM_S)
    if len(near.readings) < 2:
        near = scene
    draw_band(axes, near)
    draw_line(axes, near, near.pressure(near.readings.outlet_kpa), OUTLET, "outlet")
    mark_moments(axes, near, name_them=False)
    axes.set_title(f"Around the raise, {near.dates}", loc="left", pad=TITLE_PAD)
    time_axis(axes, near)
    plain(axes, f"Outlet, {scene.units.pressure}")
    return "the outlet around the raise, with the learned band"
