"""The week's pressures and flow with the learned band."""

from __future__ import annotations

import numpy as np

from steadyhead.weekly.look import Look
from steadyhead.weekly.model import AlertLine
from steadyhead.weekly.pictures.base import (
    BAND,
    FLOW,
    INLET,
    LEARNED,
    LEFT,
    OUTLET,
    RAISED,
    RIGHT,
    WIDTH,
    Picture,
    day_ticks,
    picked,
    thinned,
)
from steadyhead.weekly.pictures.svg import Board, Panel, legend, room_for
from steadyhead.weekly.words import Words

OUTLET_PX, OTHER_PX, BETWEEN_PX, TOP_PX = 128.0, 48.0, 24.0, 40.0
MOST_BAND = 500


def week_view(look: Look, half_kpa: float | None, alerts: tuple[AlertLine, ...], words: Words) -> Picture:
    """Outlet in its band, inlet and flow below, times of alerts marked."""
    units, zone = words.units, look.station.time_zone
    rows = [("outlet", look.outlet_kpa, OUTLET)]
    if look.has_inlet:
        rows.append(("inlet", look.inlet_kpa, INLET))
    if look.has_flow:
        rows.append(("flow", look.flow_lps, FLOW))
    height = TOP_PX + OUTLET_PX + (OTHER_PX + BETWEEN_PX) * (len(rows) - 1) + 24
    board = Board(WIDTH, height)
    marks = day_ticks(look.from_s, look.to_s, zone, words)
    top = TOP_PX
    for n, (name, working, colour) in enumerate(rows):
        is_flow = name == "flow"
        values = units.flow_from_lps(working) if is_flow else units.pressure_from_kpa(working)
        px = OUTLET_PX if n == 0 else OTHER_PX
        expected = units.pressure_from_kpa(look.expected_kpa)
        half = None if half_kpa is None else float(units.pressure_from_kpa(half_kpa))
        shown = (values, expected - half, expected + half) if n == 0 and half is not None else (values,)
        low, high = room_for(*shown, zero=is_flow)
        panel = Panel(board, LEFT, top, WIDTH - LEFT - RIGHT, px, look.from_s, look.to_s, low, high)
        if n == 0 and half is not None:
            keep = picked(len(expected), MOST_BAND)
            panel.band(look.times_s[keep], expected[keep] - half, expected[keep] + half, BAND)
        unit = units.flow if is_flow else units.pressure
        panel.axes(marks, f"{name.capitalize()}, {unit}", is_last=n == len(rows) - 1)
        if n == 0 and half is not None:
            keep = picked(len(expected), MOST_BAND)
            panel.curve(look.times_s[keep], expected[keep], LEARNED, 1.0, "4 3")
        panel.curve(*thinned(look.times_s, values), colour, 1.0)
        for alert in alerts:
            if look.from_s <= alert.raised_s < look.to_s:
                x = float(panel.x(alert.raised_s))
                board.line(x, top, x, top + px, RAISED, 1.4, "2 2")
        top += px + BETWEEN_PX
    entries = [("line", OUTLET, "outlet")]
    if half_kpa is not None:
        entries += [("band", BAND, "learned band"), ("dash", LEARNED, "expected")]
    if any(look.from_s <= alert.raised_s < look.to_s for alert in alerts):
        entries.append(("dash", RAISED, "alert raised"))
    legend(board, LEFT, 12, entries)
    said = _said(look, half_kpa, words)
    return Picture(
        "week", "The week", "Days begin at midnight of the station's clock.", said, board.svg(said)
    )


def _said(look: Look, half_kpa: float | None, words: Words) -> str:
    known = look.outlet_kpa[np.isfinite(look.outlet_kpa)]
    if not known.size:
        return "No outlet was read in the week."
    low, high = (words.text(float(v), "pressure") for v in np.quantile(known, (0.05, 0.95)))
    said = f"Outlet over the week, mostly between {low} and {high}"
    if half_kpa is not None:
        departure = np.abs(look.outlet_kpa - look.expected_kpa)
        there = np.isfinite(departure)
        if there.any():
            inside = float((departure[there] <= half_kpa).mean())
            said += f"; within the learned band {100 * inside:.0f} % of the time"
    return f"{said}."
