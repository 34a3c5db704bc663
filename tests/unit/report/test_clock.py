"""Ticks stand at round times of the station's own clock."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.report.clock import MOST_TICKS, span_text, ticks

OSLO = ZoneInfo("Europe/Oslo")


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=OSLO).timestamp()


def test_days_are_named_at_midnight_and_equally_far_apart_over_the_end_of_a_month():
    found = ticks(at("2025-10-22 09:00"), at("2025-11-03 01:00"), OSLO)
    assert [text for _, text in found] == ["24 Oct", "26 Oct", "28 Oct", "30 Oct", "01 Nov", "03 Nov"]
    # the clock falls back on the 26th, and midnight stays midnight
    assert [s for s, _ in found] == [
        at(f"2025-{d} 00:00") for d in ("10-24", "10-26", "10-28", "10-30", "11-01", "11-03")
    ]


def test_hours_are_named_within_a_day():
    found = ticks(at("2025-06-01 22:30"), at("2025-06-02 05:10"), OSLO)
    assert [text for _, text in found] == ["23:00", "02 Jun", "01:00", "02:00", "03:00", "04:00", "05:00"][
        -len(found) :
    ]
    assert len(found) == 7


def test_the_hour_that_comes_twice_gets_no_tick():
    found = ticks(at("2025-10-26 00:30"), at("2025-10-26 05:30"), OSLO)
    assert "02:00" not in [text for _, text in found]
    assert "03:00" in [text for _, text in found]


@given(begin=st.integers(0, 2_000_000_000), length=st.integers(2, 400 * 86_400))
def test_there_are_few_of_them_in_order_and_inside(begin, length):
    found = ticks(begin, begin + length, OSLO)
    assert len(found) <= MOST_TICKS + 1
    assert all(begin <= s <= begin + length for s, _ in found)
    assert all(a < b for (a, _), (b, _) in pairwise(found))


@pytest.mark.parametrize(
    ("first", "last", "words"),
    [
        ("2025-10-26 01:00", "2025-10-26 09:00", "26 October 2025"),
        ("2025-10-26 01:00", "2025-10-30 09:00", "26 to 30 October 2025"),
        ("2025-10-26 01:00", "2025-11-03 09:00", "26 October to 3 November 2025"),
        ("2025-12-30 01:00", "2026-01-03 09:00", "30 December 2025 to 3 January 2026"),
    ],
)
def test_the_days_shown_are_said_in_words(first, last, words):
    assert span_text(at(first), at(last), OSLO) == words
