"""Pictures: a sine of known amplitude is found where it is; curves that are meant to be there are drawn."""

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from babel import Locale
from weekly_hands import SET_KPA, WEEK, look, one_week, profile, station

from steadyhead.units import UNIT_SYSTEMS
from steadyhead.weekly.look import look_at
from steadyhead.weekly.pictures.shape_views import closed_view, droop_view, kv_view
from steadyhead.weekly.pictures.svg import Board, Panel, room_for, round_ticks
from steadyhead.weekly.pictures.swing_map import SEGMENT_S, swing_map, swing_view
from steadyhead.weekly.pictures.week_view import week_view
from steadyhead.weekly.words import Words

WORDS = Words(UNIT_SYSTEMS["kpa_lps"], Locale("en", "GB"))
N = 10080


def test_the_map_shows_a_sine_with_its_amplitude_at_its_period_and_time():
    outlet = np.full(N, SET_KPA)
    rows = slice(1440, 1440 + 360)  # the first six hours of Tuesday
    outlet[rows] += 8.0 * np.sin(2 * np.pi * np.arange(360) / 6.0)  # every six minutes
    readings = one_week(outlet)
    from_s, to_s = WEEK.bounds_s("UTC")
    found = swing_map(readings, from_s, to_s)
    segment, step = np.unravel_index(np.nanargmax(found.amplitude_kpa), found.amplitude_kpa.shape)
    assert segment == 1440 * 60 // SEGMENT_S
    assert found.edges_s[step] <= 360.0 < found.edges_s[step + 1]
    assert found.amplitude_kpa[segment, step] == pytest.approx(8.0, rel=0.02)  # by hand
    said = swing_view(readings, from_s, to_s, "UTC", WORDS).said
    assert "8.0 kPa amplitude" in said
    assert "Tue, 13 May" in said or "Tue 13 May" in said


def test_gaps_leave_the_map_empty_and_no_map_is_made_of_nothing():
    outlet = np.full(N, SET_KPA) + np.random.default_rng(1).normal(0, 1, N)
    outlet[:360] = np.nan
    found = swing_map(one_week(outlet), *WEEK.bounds_s("UTC"))
    assert np.isnan(found.amplitude_kpa[0]).all()
    assert np.isfinite(found.amplitude_kpa[1]).all()
    assert swing_view(one_week(np.nan), *WEEK.bounds_s("UTC"), "UTC", WORDS) is None


def paths(svg: str, colour: str) -> list[str]:
    root = ET.fromstring(svg)
    return [e.get("d") for e in root.iter() if e.tag.endswith("path") and e.get("stroke") == colour]


def test_closed_nights_of_the_week_and_before_are_drawn_one_by_one():
    flow = np.full(2 * N, 10.0)
    for night in range(14):
        flow[night * 1440 + 60 : night * 1440 + 240] = 0.0
    both = look_at(
        one_week(SET_KPA + 10.0, flow=flow, weeks=2), station(), profile(), WEEK.bounds_s("UTC")[1]
    )
    this = both.between(*WEEK.bounds_s("UTC"))
    picture = closed_view(both, this, WORDS)
    long = [d for d in paths(picture.svg, "#0072B2") if d.count("L") > 20]
    earlier = [d for d in paths(picture.svg, "#B9BDB9") if d.count("L") > 20]
    assert (len(long), len(earlier)) == (7, 7)
    assert picture.said.startswith("7 closed periods of the week over 7 of the weeks before")


def test_pictures_of_a_station_without_meter_are_those_that_need_none():
    seen = look(one_week(SET_KPA, flow=None), profile(has_flow=False), station(roles=("inlet", "outlet")))
    assert (
        droop_view(seen, seen, WORDS) is closed_view(seen, seen, WORDS) is kv_view(seen, seen, WORDS) is None
    )
    svg = week_view(seen, 12.0, (), WORDS).svg
    assert "Inlet, kPa" in svg
    assert "Flow" not in svg


def test_every_picture_is_well_formed_and_says_what_it_shows():
    seen = look(one_week(SET_KPA + np.random.default_rng(2).normal(0, 1, N)))
    for picture in (week_view(seen, 12.0, (), WORDS), kv_view(seen, seen, WORDS)):
        root = ET.fromstring(picture.svg)
        assert root.get("aria-label") == picture.said
        assert not re.search(r"nan|inf", picture.svg)


def test_ticks_are_round_and_few():
    assert [label for _, label in round_ticks(0.0, 10.0)] == ["0", "2", "4", "6", "8", "10"]
    assert [label for _, label in round_ticks(-0.04, 0.04)] == ["-0.04", "-0.02", "0.00", "0.02", "0.04"]
    assert round_ticks(3.0, 3.0) == [(3.0, "3")]
    for low, high in ((0.0, 7.3), (351.2, 402.0), (-1e-3, 2e-3), (1e5, 9e5)):
        assert 2 <= len(round_ticks(low, high)) <= 7


def test_scales_leave_air_and_withstand_nothing():
    assert room_for(np.full(3, np.nan)) == (0.0, 1.0)
    low, high = room_for(np.array([1.0, 2.0]), zero=True)
    assert low == 0.0
    assert high > 2.0
    panel = Panel(Board(100, 100), 0, 0, 100, 100, 0, 1, 0, 1)
    assert float(panel.y(5.0)) == 0.0  # what lies outside is put on the edge
