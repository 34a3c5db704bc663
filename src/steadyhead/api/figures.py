"""The figures of a station that are not over time, from the archive, at a bounded cost."""

from __future__ import annotations

from typing import Any

from steadyhead.api.numbers import plain, plain_or_none
from steadyhead.api.series import display, profile_or_none
from steadyhead.api.times import stamp
from steadyhead.live.room import Room
from steadyhead.report.figures import (
    ClosedFigure,
    DroopFigure,
    SwingFigure,
    closed_figure,
    droop_figure,
    swing_figure,
)

USUAL_S = 14 * 86_400
MOST_ROWS = 200_000
"""Some 60 ms of work; 2.3 days at one reading a second, 138 days at one a minute."""


def figures(room: Room, name: str, from_s: int, to_s: int) -> dict[str, Any]:
    """Droop, closed periods and oscillation over [from_s, to_s), as JSON values.

    Of a span with more than MOST_ROWS readings the latest are used; ``from`` says since when.
    Raises ArchiveError if the archive cannot be read.
    """
    station = room.registry.stations[name]
    used_s = max(from_s, to_s - MOST_ROWS * station.step_s)
    readings = room.archive.read(name, used_s, to_s)
    profile = profile_or_none(room, name)
    return {
        "station": name,
        "from": stamp(used_s),
        "to": stamp(to_s),
        "is_shortened": used_s > from_s,
        "droop": _droop(droop_figure(readings, profile)),
        "closed": _closed(closed_figure(readings, profile, station.meter_cutoff_lps)),
        "oscillation": _swing(swing_figure(readings)),
        "display": display(room.registry.settings.units),
    }


def _droop(figure: DroopFigure) -> dict[str, Any]:
    return {
        "times_s": figure.times_s.tolist(),
        "flow_lps": plain(figure.flow_lps),
        "outlet_kpa": plain(figure.outlet_kpa),
        "learned_flow_lps": plain(figure.learned_flow_lps),
        "learned_outlet_kpa": plain(figure.learned_outlet_kpa),
        "why_not": figure.why_not,
    }


def _closed(figure: ClosedFigure) -> dict[str, Any]:
    return {
        "periods": [
            {
                "from_s": period.from_s,
                "to_s": period.to_s,
                "first_kpa": plain_or_none(period.first_kpa),
                "last_kpa": plain_or_none(period.last_kpa),
                "highest_kpa": plain_or_none(period.highest_kpa),
                "rise_kpa": plain_or_none(period.rise_kpa),
                "inlet_kpa": plain_or_none(period.inlet_kpa),
                "way": plain_or_none(period.way),
            }
            for period in figure.periods
        ],
        "cutoff_lps": plain_or_none(figure.cutoff_lps),
        "lock_up_kpa": plain_or_none(figure.lock_up_kpa),
        "left_out": figure.left_out,
        "why_not": figure.why_not,
    }


def _swing(figure: SwingFigure) -> dict[str, Any]:
    return {
        "times_s": figure.times_s.tolist(),
        "outlet_kpa": plain(figure.outlet_kpa),
        "period_s": plain(figure.period_s),
        "amplitude_kpa": plain(figure.amplitude_kpa),
        "strongest_s": plain_or_none(figure.strongest_s),
        "strongest_kpa": plain_or_none(figure.strongest_kpa),
        "shortest_s": figure.shortest_s,
        "why_not": figure.why_not,
    }
