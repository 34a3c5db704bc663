"""A station's readings for a plot: few enough points for any span, the learned band, and the alerts in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from steadyhead import service
from steadyhead.api.numbers import plain
from steadyhead.api.times import stamp, stamp_or_none
from steadyhead.archive.archive import Series2
from steadyhead.config.model import Station
from steadyhead.desk.views import AlertQuery, AlertView
from steadyhead.errors import ProfileError
from steadyhead.live.room import Room
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.report.band import Band
from steadyhead.store.profiles import load_profile
from steadyhead.types import FloatArray, IntArray
from steadyhead.units import UnitSystem, find_unit

LEAST_POINTS, USUAL_POINTS, MOST_POINTS = 10, 1000, 4000
MOST_BAND_ROWS = 20_000
"""Readings from which the band is worked out; above it means of buckets stand in, so that a year of seconds
costs no more than an hour of them."""
QUARTER_S = 900  # a schedule changes on quarter hours, so a coarser grid would miss its steps
MOST_MARKS = 500

BandSource = Literal["readings", "means"]


@dataclass(frozen=True, slots=True)
class Learned:
    """The learned band on the buckets of a series, each shape (n,) [kPa]; NaN where nothing is expected.

    low_kpa, high_kpa : the lowest and the highest of each bucket;  source : "means" if it was worked out from
    means of buckets because the span has too many readings, or only means are left of it
    """

    low_kpa: FloatArray
    expected_kpa: FloatArray
    high_kpa: FloatArray
    source: BandSource


def series(room: Room, name: str, from_s: int, to_s: int, points: int = USUAL_POINTS) -> dict[str, Any]:
    """Everything a plot of [from_s, to_s) shows, as JSON values; ``docs/api.md`` names the keys.

    Raises ArchiveError if the archive cannot be read, DatabaseError if the alerts cannot.
    """
    station = room.registry.stations[name]
    found = room.archive.series(name, from_s, to_s, points)
    profile = profile_or_none(room, name)
    band = None if profile is None else learned_band(room, station, profile, found)
    marks, is_all = alert_marks(room, name, from_s, to_s)
    channels = {
        channel: {
            "low": plain(buckets.low), "mean": plain(buckets.mean), "high": plain(buckets.high)
        }
        for channel, buckets in found.channels.items()
        if channel == "outlet_kpa" or np.isfinite(buckets.mean).any()
    }  # fmt: skip
    return {
        "station": name,
        "from": stamp(from_s),
        "to": stamp(to_s),
        "bucket_s": found.bucket_s,
        "is_thinned": found.is_thinned,
        "times_s": found.times_s.tolist(),
        "channels": channels,
        "band": None if band is None else _band_values(band),
        "lock_up_kpa": None if profile is None or not profile.lock_up.closed_nights
        else profile.lock_up.lock_up_kpa,
        "profile_version": None if profile is None else profile.version,
        "alerts": marks,
        "alerts_are_all": is_all,
        "display": display(room.registry.settings.units),
    }  # fmt: skip


def profile_or_none(room: Room, name: str) -> Profile | None:
    """The profile in use; None where there is none or it does not fit the readings any more."""
    try:
        return load_profile(room.profiles, name, room.registry.stations[name].step_s)
    except ProfileError:
        return None


def learned_band(room: Room, station: Station, profile: Profile, found: Series2) -> Learned | None:
    """The band on the buckets; None where there are no buckets."""
    if not len(found.times_s):
        return None
    from_s, to_s = int(found.times_s[0]) - found.bucket_s, int(found.times_s[-1])
    source: BandSource = "readings"
    if found.is_thinned or (to_s - from_s) // station.step_s > MOST_BAND_ROWS:
        source = "means"
        readings = _from_means(station, found, from_s, to_s)
    else:
        readings = room.archive.read(station.name, from_s + 1, to_s + 1)  # buckets hold (from, to]
    if not len(readings):
        return None
    return on_buckets(service.band(readings, profile), readings.times_s, found.times_s, source)


def _from_means(station: Station, found: Series2, from_s: int, to_s: int) -> Readings:
    """Readings that hold each bucket's means, on a grid fine enough for a schedule."""
    step_s = min(found.bucket_s, QUARTER_S)
    while (to_s - from_s) // step_s > MOST_BAND_ROWS:
        step_s *= 4
    first_s = (from_s // step_s + 1) * step_s
    n = max(0, to_s // step_s - from_s // step_s)
    times_s = first_s + step_s * np.arange(n, dtype=np.int64)
    at = np.minimum(np.searchsorted(found.times_s, times_s, side="left"), len(found.times_s) - 1)
    nothing = np.full(n, np.nan)
    values = {name: found.channels[name].mean[at] if name in found.channels else nothing for name in CHANNELS}
    return Readings(station.name, first_s, step_s, flags=np.zeros(n, dtype=np.uint16), **values)


def on_buckets(band: Band, times_s: IntArray, ends_s: IntArray, source: BandSource) -> Learned:
    """A band on rows put on buckets that end at ``ends_s``: lowest, mean and highest of the rows in each.

    A bucket holds the rows after the end of the one before, up to its own end.
    """
    bucket = np.searchsorted(ends_s, times_s, side="left")
    inside = (bucket < len(ends_s)) & np.isfinite(band.expected_kpa)
    bucket = bucket[inside]
    n = len(ends_s)
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, bucket, band.low_kpa[inside])
    np.maximum.at(high, bucket, band.high_kpa[inside])
    count = np.bincount(bucket, minlength=n)
    total = np.bincount(bucket, weights=band.expected_kpa[inside], minlength=n)
    has = count > 0
    expected = np.full(n, np.nan)
    expected[has] = total[has] / count[has]
    return Learned(np.where(has, low, np.nan), expected, np.where(has, high, np.nan), source)


def alert_marks(room: Room, name: str, from_s: int, to_s: int) -> tuple[list[dict[str, Any]], bool]:
    """Alerts of the station whose episode touches the span, newest first, and whether these are all."""
    marks: list[dict[str, Any]] = []
    after: str | None = None
    looked_at = 0
    while True:
        page = room.desk.alerts(AlertQuery(station=name, sort="newest", limit=100, after=after))
        marks.extend(
            _mark(view)
            for view in page.items
            if view.began_s < to_s and (view.ended_s is None or view.ended_s > from_s)
        )
        looked_at += len(page.items)
        after = page.next
        if after is None:
            return marks, True
        if looked_at >= MOST_MARKS:
            return marks, False


def _mark(view: AlertView) -> dict[str, Any]:
    return {
        "alert_id": view.alert.alert_id,
        "condition": view.alert.condition,
        "title": view.title,
        "priority": view.alert.priority,
        "state": view.alert.state,
        "is_standing": view.is_standing,
        "began_at": stamp(view.began_s),
        "raised_at": stamp(view.raised_s),
        "ended_at": stamp_or_none(view.ended_s),
        "began_s": view.began_s,
        "raised_s": view.raised_s,
        "ended_s": view.ended_s,
    }


def _band_values(band: Learned) -> dict[str, Any]:
    return {
        "low_kpa": plain(band.low_kpa),
        "expected_kpa": plain(band.expected_kpa),
        "high_kpa": plain(band.high_kpa),
        "source": band.source,
    }


def display(units: UnitSystem) -> dict[str, Any]:
    """The units people chose, and what one kPa and one L/s are in them."""
    return {
        "pressure": units.pressure,
        "pressure_per_kpa": 1.0 / find_unit(units.pressure).factor,
        "pressure_decimals": units.pressure_decimals,
        "flow": units.flow,
        "flow_per_lps": 1.0 / find_unit(units.flow).factor,
        "flow_decimals": units.flow_decimals,
    }
