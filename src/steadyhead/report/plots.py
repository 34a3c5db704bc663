"""One evidence plot per alert: what was logged beside what was learned, and the view that proves it."""

from __future__ import annotations

import io
import textwrap
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from steadyhead.alerts.model import Verdict
from steadyhead.diagnosis.phrases import local_time
from steadyhead.errors import ReadingsError
from steadyhead.files import write_atomically
from steadyhead.readings.frame import Readings
from steadyhead.report.band import Band
from steadyhead.report.proofs import draw_proof
from steadyhead.report.scene import (
    FLOW,
    INK,
    INLET,
    LEGEND,
    OUTLET,
    Scene,
    draw_band,
    draw_line,
    mark_moments,
    plain,
    scene_of,
    time_axis,
)
from steadyhead.report.words import sure_text
from steadyhead.units import UnitSystem

__all__ = ["Band", "alert_picture", "plot_alert"]

WIDTH_IN, HEIGHT_IN, DPI = 12.0, 7.0, 110
LINE_LETTERS = 150  # of the evidence above the panels
EVIDENCE_LINES = 3
_STYLE: dict[Any, Any] = {
    "font.size": 10,
    "axes.titlesize": 11,
    "axes.labelsize": 10,
    "text.color": INK,
    "axes.labelcolor": INK,
}


def plot_alert(
    verdict: Verdict,
    readings: Readings,
    band: Band,
    path: Path | str,
    units: UnitSystem,
    *,
    time_zone: str = "UTC",
    title: str | None = None,
) -> None:
    """Write the evidence of one alert as a PNG file.

    readings : of the station, at least from the onset to the raise; more is cut to what helps
    band : learned normal on the same grid
    time_zone : IANA name; times are shown on the station's clock
    title : plain words for the condition; its name if not given
    Raises ReadingsError if the band is on another grid or no reading lies in the span shown, OutputError if
    the file cannot be written (an older one is then unchanged).
    """
    write_atomically(path, alert_picture(verdict, readings, band, units, time_zone=time_zone, title=title))


def alert_picture(
    verdict: Verdict,
    readings: Readings,
    band: Band,
    units: UnitSystem,
    *,
    time_zone: str = "UTC",
    title: str | None = None,
) -> bytes:
    """The bytes of the PNG file that ``plot_alert`` writes."""
    scene = scene_of(verdict, readings, band, units, time_zone)
    if len(scene.readings) < 2:
        raise ReadingsError(
            f"{verdict.station}: no readings around {verdict.condition} raised at {verdict.raised_s}; "
            "give the readings the alert was found in"
        )
    heading = (
        f"{verdict.station}: {title or verdict.condition.replace('_', ' ')}, {sure_text(verdict.confidence)}"
    )
    with rc_context(_STYLE):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DPI, layout="constrained")
        FigureCanvasAgg(figure)
        told = _draw(figure, scene, heading)
        layout = figure.get_layout_engine()
        if layout is not None:
            layout.execute(figure)  # saving does it again, then with the ticks that this round led to
        metadata = {
            "Title": heading,
            "Description": _alt_text(scene, heading, told),
            "Software": "Steadyhead",
        }
        content = io.BytesIO()
        figure.savefig(content, format="png", metadata=metadata)
        return content.getvalue()


def _draw(figure: Figure, scene: Scene, heading: str) -> str:
    panels = figure.subplot_mosaic(
        [["words", "words"], ["outlet", "proof"], ["inlet", "proof"], ["flow", "proof"]],
        height_ratios=(0.46, 2.0, 1.0, 1.0),
        width_ratios=(1.35, 1.0),
    )
    words = panels["words"]
    words.axis("off")
    words.text(0.0, 1.0, heading, va="top", transform=words.transAxes, fontsize=14, fontweight="bold")
    words.text(0.0, 0.56, _evidence(scene), va="top", transform=words.transAxes)
    _draw_channels(panels, scene)
    told = draw_proof(panels["proof"], scene)
    above: dict[str, Any] = {"loc": "lower right", "bbox_to_anchor": (1.0, 1.06), "borderaxespad": 0.0}
    panels["outlet"].legend(ncols=3, **above, **LEGEND)  # where it hides no reading
    if panels["proof"] in figure.axes and panels["proof"].get_legend_handles_labels()[0]:
        panels["proof"].legend(loc="best", **LEGEND)
    return told


def _draw_channels(panels: dict[str, Axes], scene: Scene) -> None:
    readings, units = scene.readings, scene.units
    outlet, inlet, flow = panels["outlet"], panels["inlet"], panels["flow"]
    draw_band(outlet, scene)
    draw_line(outlet, scene, scene.pressure(readings.outlet_kpa), OUTLET, "outlet")
    draw_line(inlet, scene, scene.pressure(readings.inlet_kpa), INLET, "inlet")
    draw_line(flow, scene, scene.flow(readings.flow_lps), FLOW, "flow")
    plain(outlet, f"Outlet, {units.pressure}")
    plain(inlet, f"Inlet, {units.pressure}")
    plain(flow, f"Flow, {units.flow}")
    for axes, values in (
        (outlet, readings.outlet_kpa),
        (inlet, readings.inlet_kpa),
        (flow, readings.flow_lps),
    ):
        time_axis(axes, scene)
        mark_moments(axes, scene, name_them=axes is outlet)
        if not np.isfinite(values).any():
            axes.text(0.5, 0.5, "not logged", transform=axes.transAxes, ha="center", va="center")
            axes.set_yticks([])
        if axes is not flow:
            axes.tick_params(labelbottom=False)
    outlet.set_title("What was logged", loc="left", pad=16)
    flow.set_xlabel(f"{scene.dates}, clock of the station ({scene.zone.key})")


def _evidence(scene: Scene) -> str:
    """As many whole sentences as there is room for; a first one that is longer is cut."""
    sentences = scene.verdict.evidence
    for n in range(len(sentences), 0, -1):
        lines = textwrap.wrap(" ".join(sentences[:n]), LINE_LETTERS)
        if len(lines) <= EVIDENCE_LINES:
            return "\n".join(lines)
    return "\n".join(
        textwrap.wrap(" ".join(sentences[:1]), LINE_LETTERS, max_lines=EVIDENCE_LINES, placeholder=" …")
    )


def _alt_text(scene: Scene, heading: str, told: str) -> str:
    verdict, zone = scene.verdict, scene.zone.key
    began, raised = local_time(verdict.began_s, zone), local_time(verdict.raised_s, zone)
    return (
        f"{heading}. Began {began}, raised {raised} ({zone}). "
        f"Left: outlet with the learned band, inlet and flow over time. Right: {told}. "
        f"{' '.join(verdict.evidence)}"
    ).strip()
