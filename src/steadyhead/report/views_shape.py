"""Proofs that plot one reading against another: droop, Kv, outlet against inlet."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from steadyhead.diagnosis.phrases import kv_text
from steadyhead.hydraulics import effective_kv
from steadyhead.report.scene import (
    FAINT,
    INLET,
    LEARNED,
    RAISED,
    TITLE_PAD,
    Scene,
    draw_zoom,
    is_missing,
    plain,
)
from steadyhead.types import BoolArray, FloatArray
from steadyhead.units import KV_PER_CV

MOST_DOTS = 1500  # more hide each other
FULL_SHOWN = (
    2.0  # a limit higher than this many times what was met would flatten the points; it is told in words
)


def _dots(
    axes: Axes, x: FloatArray, y: FloatArray, rows: BoolArray, colour: str, marker: str, label: str
) -> None:
    """A cloud of at most MOST_DOTS, evenly picked, so that the same readings give the same picture."""
    chosen = np.flatnonzero(rows & np.isfinite(x) & np.isfinite(y))
    if chosen.size:
        chosen = chosen[np.linspace(0, chosen.size - 1, min(MOST_DOTS, chosen.size)).astype(int)]
        axes.plot(
            x[chosen], y[chosen], marker, color=colour, ms=3.5, alpha=0.55, mew=0.6, label=label, zorder=3
        )


def _before_and_now(axes: Axes, scene: Scene, x: FloatArray, y: FloatArray) -> None:
    now = scene.is_episode
    before = scene.readings.times_s < scene.verdict.began_s
    _dots(axes, x, y, before, FAINT, "o", "before")
    _dots(axes, x, y, now, RAISED, "x", "while it lasted")


def draw_droop(axes: Axes, scene: Scene) -> str:
    """Outlet against flow, before and in the episode, beside the learned curve."""
    if is_missing(scene.readings.flow_lps):
        return draw_zoom(axes, scene)
    _before_and_now(
        axes, scene, scene.flow(scene.readings.flow_lps), scene.pressure(scene.readings.outlet_kpa)
    )
    if scene.band.droop is not None:
        flow_lps, outlet_kpa = scene.band.droop
        axes.plot(
            scene.flow(flow_lps),
            scene.pressure(outlet_kpa),
            "--",
            color=LEARNED,
            lw=2,
            label="learned",
            zorder=4,
        )
    axes.set_title("Outlet against flow", loc="left", pad=TITLE_PAD)
    axes.set_xlabel(f"Flow, {scene.units.flow}")
    plain(axes, f"Outlet, {scene.units.pressure}")
    return "outlet against flow, before and while it lasted, with the learned droop curve"


def draw_kv_envelope(axes: Axes, scene: Scene) -> str:
    """Kv shown against the Kv that this demand needs to hold the expected outlet.

    On the slanted line the valve holds set; a level stretch below it is as far as it opens.
    """
    readings, expected_kpa = scene.readings, scene.band.expected_kpa
    if is_missing(readings.flow_lps) or is_missing(readings.inlet_kpa) or is_missing(expected_kpa):
        return draw_against_inlet(axes, scene)
    flowing_lps = np.where(readings.flow_lps > 0, readings.flow_lps, np.nan)
    shown = _kv_in(scene, effective_kv(flowing_lps, readings.inlet_kpa, readings.outlet_kpa))
    needed = _kv_in(scene, effective_kv(flowing_lps, readings.inlet_kpa, expected_kpa))
    if is_missing(shown) or is_missing(needed):
        return draw_against_inlet(axes, scene)
    _before_and_now(axes, scene, needed, shown)
    told = "Kv the valve shows against the Kv the demand needs, before and while it lasted"
    top = float(np.nanmax(shown))
    ends = np.array([0.0, max(top, float(np.nanpercentile(needed, 99.5)))])  # one wild reading sets no scale
    axes.plot(ends, ends, "-.", color=INLET, lw=1.3, label="on this line it holds set", zorder=2)
    axes.set_xlim(0, 1.05 * ends[1])
    limits = [
        (scene.band.kv_full_m3h, "--", LEARNED, "fully open"),
        (scene.verdict.number("kv_m3h"), "-", RAISED, "when raised"),
    ]
    for kv_m3h, style, colour, word in limits:
        if kv_m3h is None:
            continue
        label = f"{word}, {kv_text(kv_m3h, scene.units)}"
        level = float(_kv_in(scene, np.array([kv_m3h]))[0])
        told += f"; {label}"
        if level <= FULL_SHOWN * top:
            axes.axhline(level, color=colour, ls=style, lw=1.8, label=label, zorder=4)
            top = max(top, level)
        else:
            axes.plot([], [], " ", label=f"{label}, above this chart")
    axes.set_ylim(0, 1.4 * top)
    name = "Cv" if scene.units.pressure == "psi" else "Kv"
    unit = "" if name == "Cv" else ", m3/h"
    axes.set_title("How far the valve opens", loc="left", pad=TITLE_PAD)
    axes.set_xlabel(f"{name} the demand needs{unit}")
    plain(axes, f"{name} the valve shows{unit}")
    return told


def _kv_in(scene: Scene, kv_m3h: FloatArray) -> FloatArray:
    """Kv, or Cv where people read psi and gpm."""
    return kv_m3h / KV_PER_CV if scene.units.pressure == "psi" else kv_m3h


def draw_against_inlet(axes: Axes, scene: Scene) -> str:
    """Outlet against inlet, with the line where both are equal."""
    readings = scene.readings
    if is_missing(readings.inlet_kpa) or is_missing(readings.outlet_kpa):
        return draw_zoom(axes, scene)
    inlet, outlet = scene.pressure(readings.inlet_kpa), scene.pressure(readings.outlet_kpa)
    _before_and_now(axes, scene, inlet, outlet)
    ends = np.array([min(np.nanmin(inlet), np.nanmin(outlet)), np.nanmax(inlet)])
    axes.plot(ends, ends, "-.", color=INLET, lw=1.2, label="outlet = inlet", zorder=2)
    set_kpa = scene.verdict.number("set_kpa")
    if set_kpa is not None:
        axes.axhline(
            scene.units.pressure_from_kpa(set_kpa), color=LEARNED, ls="--", lw=1.5, label="set", zorder=2
        )
    axes.set_title("Outlet against inlet", loc="left", pad=TITLE_PAD)
    axes.set_xlabel(f"Inlet, {scene.units.pressure}")
    plain(axes, f"Outlet, {scene.units.pressure}")
    return "outlet against inlet, before and while it lasted, with the line where both are equal"
