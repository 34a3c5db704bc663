"""Proofs drawn over time: the closed night, levels, neighbour, what arrived, one channel."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from steadyhead.diagnosis.phrases import duration_text, percent
from steadyhead.report.scene import (
    FLOW,
    INLET,
    LEARNED,
    OTHER,
    OUTLET,
    RAISED,
    TITLE_PAD,
    ZOOM_S,
    Scene,
    draw_line,
    draw_zoom,
    is_missing,
    mark_moments,
    plain,
    time_axis,
)
from steadyhead.types import FloatArray

NIGHT_AROUND_S = 3600  # shown on both sides of a closed night


def draw_closed_night(axes: Axes, scene: Scene) -> str:
    """The last closed period: outlet, inlet, lock-up and the share of the way between them."""
    from_s, to_s = scene.verdict.number("closed_from_s"), scene.verdict.number("closed_to_s")
    if from_s is None or to_s is None or to_s <= from_s:
        return draw_zoom(axes, scene)
    night = scene.between(from_s - NIGHT_AROUND_S, to_s + NIGHT_AROUND_S)
    if len(night.readings) < 2:
        return draw_zoom(axes, scene)
    axes.axvspan(from_s / 86_400, to_s / 86_400, color="#EFEFEF", lw=0, label="up to the raise", zorder=0)
    draw_line(axes, night, night.pressure(night.readings.inlet_kpa), INLET, "inlet", "-.")
    draw_line(axes, night, night.pressure(night.readings.outlet_kpa), OUTLET, "outlet")
    lock_up_kpa = scene.band.lock_up_kpa or scene.verdict.number("lock_up_kpa")
    told = "the closed hours before the raise: outlet and inlet"
    if lock_up_kpa is not None:
        lock_up = scene.units.pressure_from_kpa(lock_up_kpa)
        axes.axhline(lock_up, color=LEARNED, ls="--", lw=1.5, label="learned lock-up", zorder=2)
        told += _mark_way(axes, night, lock_up_kpa, from_s, to_s)
    axes.set_title(f"While nobody drew water, {night.dates}", loc="left", pad=TITLE_PAD)
    time_axis(axes, night)
    plain(axes, f"Pressure, {scene.units.pressure}")
    return told


def _mark_way(axes: Axes, night: Scene, lock_up_kpa: float, from_s: float, to_s: float) -> str:
    """An arrow from lock-up to the highest outlet of the night, with its share of the way to the inlet."""
    shut = night.between(from_s, to_s + 1)
    outlet_kpa = shut.readings.outlet_kpa
    if is_missing(outlet_kpa):
        return ""
    row = int(np.nanargmax(outlet_kpa))
    top_kpa, inlet_kpa = float(outlet_kpa[row]), float(shut.readings.inlet_kpa[row])
    if not inlet_kpa > lock_up_kpa or top_kpa <= lock_up_kpa:
        return ""
    share = percent((top_kpa - lock_up_kpa) / (inlet_kpa - lock_up_kpa))
    low, high = night.units.pressure_from_kpa(lock_up_kpa), night.units.pressure_from_kpa(top_kpa)
    day = float(shut.days[row])
    axes.annotate(
        "",
        (day, high),
        xytext=(day, low),
        arrowprops={"arrowstyle": "<->", "color": RAISED, "lw": 1.5},
        zorder=4,
    )
    axes.annotate(
        f"{share} of the way\nto the inlet", (day, high), xytext=(-6, 8),
        textcoords="offset points", ha="right", va="bottom", color=RAISED, fontsize=9, zorder=4,
        bbox={"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 1.5},
    )  # fmt: skip
    return f"; the outlet goes {share} of the way from lock-up to inlet"


def draw_levels(axes: Axes, scene: Scene) -> str:
    """Level before and after a step of the set pressure."""
    began_s = scene.verdict.began_s
    near = scene.between(began_s - 6 * ZOOM_S, began_s + 6 * ZOOM_S)
    outlet_kpa, times_s = near.readings.outlet_kpa, near.readings.times_s
    before, after = outlet_kpa[times_s < began_s], outlet_kpa[near.is_episode]
    if is_missing(before) or is_missing(after):
        return draw_zoom(axes, scene)
    draw_line(axes, near, near.pressure(outlet_kpa), OUTLET, "outlet")
    told = []
    spans = [(before, "before", ":", times_s[0], began_s), (after, "after", "--", began_s, times_s[-1])]
    for values, word, style, from_s, to_s in spans:
        level_kpa = float(np.nanmedian(values))
        label = f"{word} {scene.units.pressure_text(level_kpa)}"
        axes.hlines(
            scene.units.pressure_from_kpa(level_kpa), from_s / 86_400, to_s / 86_400,
            color=RAISED, ls=style, lw=2.2, label=label, zorder=4,
        )  # fmt: skip
        told.append(label)
    axes.set_title(f"Level before and after, {near.dates}", loc="left", pad=TITLE_PAD)
    time_axis(axes, near)
    plain(axes, f"Outlet, {scene.units.pressure}")
    return f"the level of the outlet, {' and '.join(told)}"


def draw_neighbour(axes: Axes, scene: Scene) -> str:
    """Outlet beside the neighbour's outlet, which it follows."""
    if is_missing(scene.readings.neighbour_kpa):
        return draw_zoom(axes, scene)
    draw_line(axes, scene, scene.pressure(scene.readings.outlet_kpa), OUTLET, "outlet")
    draw_line(axes, scene, scene.pressure(scene.readings.neighbour_kpa), OTHER, "neighbour", "--")
    set_kpa = scene.verdict.number("set_kpa")
    if set_kpa is not None:
        axes.axhline(
            scene.units.pressure_from_kpa(set_kpa), color=LEARNED, ls=":", lw=1.6, label="set here", zorder=2
        )
    mark_moments(axes, scene, name_them=False)
    axes.set_title("Outlet and its neighbour", loc="left", pad=TITLE_PAD)
    time_axis(axes, scene)
    plain(axes, f"Outlet, {scene.units.pressure}")
    return "outlet beside the neighbour's outlet"


def draw_presence(axes: Axes, scene: Scene) -> str:
    """A bar per channel where readings are there; gaps are white."""
    readings = scene.readings
    channels = [("outlet", readings.outlet_kpa), ("inlet", readings.inlet_kpa), ("flow", readings.flow_lps)]
    channels = [(name, values) for name, values in channels if name == "outlet" or not is_missing(values)]
    told = []
    for n, (name, values) in enumerate(channels):
        there = np.isfinite(values)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(np.int8)))
        starts, stops = edges[::2], edges[1::2]
        step = readings.step_s / 86_400
        bars = [(float(scene.days[a]) - step, (b - a) * step) for a, b in zip(starts, stops, strict=True)]
        axes.broken_barh(bars, (n - 0.3, 0.6), color=OUTLET, hatch="//", edgecolor="white", lw=0)
        told.append(f"{name} {percent(float(there.mean()))}")
    axes.set_yticks(range(len(channels)), [name for name, _ in channels])
    axes.set_ylim(len(channels) - 0.4, -0.6)
    mark_moments(axes, scene, name_them=False)
    axes.set_title("Readings that arrived", loc="left", pad=TITLE_PAD)
    time_axis(axes, scene)
    plain(axes, "")
    return f"when readings arrived: {', '.join(told)}"


def draw_channel(axes: Axes, scene: Scene) -> str:
    """The faulty channel near the raise, with its longest run of one value marked."""
    name = scene.verdict.traits.get("channel", "outlet")
    if name not in ("inlet", "outlet", "flow"):
        name = "outlet"
    if scene.verdict.traits.get("kind") in ("swapped", "crossed"):
        return _both_sides(axes, scene)
    values, unit, colour = _channel_values(scene, name)
    draw_line(axes, scene, values, colour, name)
    told = f"the {name} as it was reported"
    first, last = _longest_run(values)
    if scene.verdict.traits.get("kind") == "stuck" and last - first > 1:
        days = scene.days[first:last]
        length = duration_text((last - first) * scene.readings.step_s)
        axes.plot(
            days[[0, -1]], values[[first, last - 1]], "-", color=RAISED, lw=5, alpha=0.6,
            label=f"one value for {length}", zorder=2,
        )  # fmt: skip
        told += f"; one value repeats for {length}"
    mark_moments(axes, scene, name_them=False)
    axes.set_title(f"The {name} as reported", loc="left", pad=TITLE_PAD)
    time_axis(axes, scene)
    plain(axes, f"{name.capitalize()}, {unit}")
    return told


def _channel_values(scene: Scene, name: str) -> tuple[FloatArray, str, str]:
    if name == "flow":
        return scene.flow(scene.readings.flow_lps), scene.units.flow, FLOW
    if name == "inlet":
        return scene.pressure(scene.readings.inlet_kpa), scene.units.pressure, INLET
    return scene.pressure(scene.readings.outlet_kpa), scene.units.pressure, OUTLET


def _both_sides(axes: Axes, scene: Scene) -> str:
    draw_line(axes, scene, scene.pressure(scene.readings.inlet_kpa), INLET, "logged as inlet", "-.")
    draw_line(axes, scene, scene.pressure(scene.readings.outlet_kpa), OUTLET, "logged as outlet")
    draw_line(axes, scene, scene.pressure(scene.band.expected_kpa), LEARNED, "expected outlet", "--")
    mark_moments(axes, scene, name_them=False)
    axes.set_title("Inlet and outlet as reported", loc="left", pad=TITLE_PAD)
    time_axis(axes, scene)
    plain(axes, f"Pressure, {scene.units.pressure}")
    return "inlet and outlet as they were reported, with the expected outlet"


def _longest_run(values: FloatArray) -> tuple[int, int]:
    """First row and row after the last of the longest run of one value; rows without one do not end it."""
    known = np.flatnonzero(np.isfinite(values))
    if known.shape[0] == 0:
        return 0, 0
    breaks = np.flatnonzero(np.diff(values[known]) != 0) + 1
    first = known[np.concatenate([[0], breaks])]
    last = known[np.concatenate([breaks - 1, [known.shape[0] - 1]])]
    longest = int(np.argmax(last - first))
    return int(first[longest]), int(last[longest]) + 1
