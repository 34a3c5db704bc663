"""The chart of a station's readings over time: what the page hands to the script that draws it."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.config.model import Station
from steadyhead.desk.views import AlertQuery, AlertView
from steadyhead.live.room import Room
from steadyhead.units import UnitSystem, from_working
from steadyhead.web.cards import ACTIVE
from steadyhead.web.words import place_text

HOUR_S, DAY_S = 3600, 86_400
SPANS = (
    (6 * HOUR_S, "6 hours"),
    (DAY_S, "Day"),
    (7 * DAY_S, "Week"),
    (30 * DAY_S, "Month"),
    (365 * DAY_S, "Year"),
    (0, "All"),
)
MOST_LISTED = 60  # alerts of a station on its page
AROUND = 0.6  # of an episode's length, shown before and after it
LEAST_AROUND_S = 8 * HOUR_S


@dataclass(frozen=True, slots=True)
class SeriesPanel:
    """Where the chart gets its numbers, and the words and units it shows them with.

    first_s, last_s : all there is; from_s, to_s : what is shown first
    """

    url: str
    first_s: int
    last_s: int
    from_s: int
    to_s: int
    zone: str
    pressure: str
    pressure_factor: float
    pressure_decimals: int
    flow: str
    flow_factor: float
    flow_decimals: int
    has_flow: bool
    has_inlet: bool
    alt: str
    tone: str
    step_s: int
    is_live: bool
    spans: tuple[tuple[int, str], ...] = SPANS


def series_panel(
    room: Room, station: Station, around: tuple[int, int] | None, alerts: list[AlertView]
) -> SeriesPanel | None:
    """The panel of a station; None where it has no readings yet.

    around : span of an episode to show with something before and after; the last week if None
    """
    extent = room.archive.extent(station.name)
    if extent is None:
        return None
    first_s, last_s = extent
    if around is None:
        to_s = int(room.clock())
        from_s = max(first_s, to_s - 7 * DAY_S)
        if last_s <= from_s:  # nothing would be seen: the last there is, and now is one press away
            from_s, to_s = max(first_s, last_s - 7 * DAY_S), last_s
    else:
        beside_s = max(LEAST_AROUND_S, int(AROUND * (around[1] - around[0])))
        from_s, to_s = max(first_s, around[0] - beside_s), min(last_s, around[1] + beside_s)
        if to_s - from_s < HOUR_S:
            from_s, to_s = max(first_s, last_s - DAY_S), last_s
    units = room.registry.settings.units
    worst = next((view.alert.priority for view in alerts if view.alert.state in ACTIVE), "none")
    return SeriesPanel(
        url=f"/api/v1/stations/{station.name}/series",
        first_s=first_s,
        last_s=last_s,
        from_s=from_s,
        to_s=to_s,
        zone=station.time_zone,
        pressure=units.pressure,
        pressure_factor=from_working(1.0, units.pressure),
        pressure_decimals=fine_decimals(units),
        flow=units.flow,
        flow_factor=from_working(1.0, units.flow),
        flow_decimals=max(1, units.flow_decimals),
        has_flow="flow" in station.tags,
        has_inlet="inlet" in station.tags,
        alt=(
            f"Outlet of {place_text(station.name)} over time with the band that was learned, inlet and flow; "
            "the same figures stand in the table below the chart."
        ),
        tone=worst,
        step_s=station.step_s,
        is_live=around is None,
    )


def fine_decimals(units: UnitSystem) -> int:
    """One decimal more than in sentences: a chart is read closer."""
    return units.pressure_decimals + 1


def alerts_of(room: Room, station: str, limit: int = MOST_LISTED) -> list[AlertView]:
    """Alerts of a station, newest first: the last ones, and before them all that stand or are held back."""
    found = list(room.desk.alerts(AlertQuery(station=station, sort="newest", limit=limit)).items)
    there = {view.alert.alert_id for view in found}
    if len(found) == limit:
        worst = room.desk.alerts(AlertQuery(station=station, sort="worst", limit=limit)).items
        found += [view for view in worst if view.alert.alert_id not in there and view.alert.state != "normal"]
    return found
