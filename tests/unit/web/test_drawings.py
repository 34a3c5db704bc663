"""Marks, sketches and drawings: well formed, different from each other, and true to their numbers."""

from itertools import combinations
from xml.etree import ElementTree as ET

import pytest

from steadyhead.alerts.lifecycle import STATES
from steadyhead.alerts.model import PRIORITIES
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.types import CONDITIONS
from steadyhead.web.glyphs import condition_glyph, priority_mark, state_mark
from steadyhead.web.load_page import MOST_BARS, bars


@pytest.mark.parametrize("condition", [None, *CONDITIONS])
def test_sketches_are_well_formed_and_hidden_from_screen_readers(condition):
    root = ET.fromstring(str(condition_glyph(condition)))
    assert root.get("aria-hidden") == "true"
    assert root.findall("path")


def test_no_two_conditions_share_a_sketch():
    drawn = {condition: str(condition_glyph(condition)) for condition in (None, *CONDITIONS)}
    same = [pair for pair in combinations(drawn, 2) if drawn[pair[0]] == drawn[pair[1]]]
    assert same == []


def test_a_drift_down_is_drawn_the_other_way_than_one_up():
    assert condition_glyph("drift", is_down=True) != condition_glyph("drift")
    assert condition_glyph("creep", is_down=True) == condition_glyph("creep")  # creep only rises


@pytest.mark.parametrize("is_open", [True, False])
def test_priorities_differ_by_shape_not_by_colour_alone(is_open):
    bars_of = {
        priority: len(ET.fromstring(str(priority_mark(priority, is_open=is_open))).findall("rect")) - 1
        for priority in PRIORITIES
    }
    assert bars_of == {"low": 1, "medium": 2, "high": 3}


def test_every_state_has_a_mark_of_its_own():
    drawn = [str(state_mark(state, "high")) for state in STATES]
    assert len(set(drawn)) == len(STATES)


def load_of(per_period):
    return AlarmLoad(
        from_s=1_761_000_000,
        to_s=1_761_000_000 + 600 * len(per_period),
        operators=1,
        calls=sum(per_period),
        per_period=tuple(per_period),
        mean=0.0,
        peak=0.0,
        peak_s=None,
        over_share=0.0,
        floods=(),
        stale=(),
        chattering=(),
        priorities={},
        top=(),
        top_share=0.0,
        targets=(),
    )


def test_bars_stand_where_the_calls_were_and_the_highest_fills_the_height():
    drawing = bars(load_of([0, 2, 0, 4]), "UTC")
    rects = ET.fromstring(str(drawing.svg)).findall("rect")
    assert [float(rect.get("height")) for rect in rects] == [55.0, 110.0]  # 2 of 4, by hand
    assert "most calls in one: 4" in drawing.said


def test_a_year_of_periods_is_drawn_with_few_bars():
    drawing = bars(load_of([1] * 52_560), "UTC")
    assert len(ET.fromstring(str(drawing.svg)).findall("rect")) <= MOST_BARS
