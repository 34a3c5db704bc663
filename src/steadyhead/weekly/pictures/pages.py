"""The pictures of a station's page."""

from __future__ import annotations

from steadyhead.weekly.material import Material
from steadyhead.weekly.pictures.base import Picture, some
from steadyhead.weekly.pictures.drift_view import drift_view
from steadyhead.weekly.pictures.shape_views import closed_view, droop_view, kv_view
from steadyhead.weekly.pictures.swing_map import swing_view
from steadyhead.weekly.pictures.week_view import week_view
from steadyhead.weekly.station import Judged
from steadyhead.weekly.week import Week
from steadyhead.weekly.words import Words

Pictures = tuple[Picture, ...]


def draw_station(judged: Judged, material: Material, week: Week, words: Words) -> Pictures:
    """All that the readings let be drawn, in the order of the page."""
    look, this, daily, found = judged.look, judged.this, judged.daily, judged.week
    if look is None or this is None or daily is None:
        return ()
    zone = material.station.time_zone
    from_s, to_s = week.bounds_s(zone)
    drift = None
    if found.band_kpa is not None:
        drift = drift_view(daily, found.trend, found.forecast, found.band_kpa, from_s, zone, words)
    return some(
        (
            week_view(this, found.band_kpa, found.alerts, words),
            drift,
            droop_view(look, this, words),
            closed_view(look, this, words),
            kv_view(look, this, words),
            swing_view(this.readings, from_s, to_s, zone, words),
        )
    )
