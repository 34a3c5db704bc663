"""ISO weeks on the clocks of stations."""

from datetime import date
from itertools import pairwise

import pytest

from steadyhead.errors import ReportError
from steadyhead.weekly.week import Week


def test_a_week_is_written_as_iso_8601_has_it():
    week = Week.parse("2025-W44")
    assert (str(week), week.monday) == (
        "2025-W44",
        date(2025, 10, 27),
    )  # source: ISO 8601, date.fromisocalendar
    assert Week.parse("2025W4") == Week(2025, 4)


@pytest.mark.parametrize("text", ["2025-44", "W44", "2025-W00", "2025-W54", "2025-W53", "yesterday", ""])
def test_what_is_no_week_is_refused_in_words(text):
    with pytest.raises(ReportError, match="is not a week"):
        Week.parse(text)


def test_a_long_year_has_week_53():
    assert Week.parse("2026-W53").shifted(1) == Week(2027, 1)  # 2026 begins on a Thursday
    assert Week(2027, 1).shifted(-1) == Week(2026, 53)


@pytest.mark.parametrize(
    ("text", "zone", "hours"),
    [  # source: the IANA zone rules, counted by hand
        ("2025-W43", "Europe/Oslo", 169), ("2025-W13", "Europe/Oslo", 167), ("2025-W44", "Europe/Oslo", 168),
        ("2025-W44", "America/Chicago", 169), ("2025-W10", "America/Chicago", 167),
        ("2025-W14", "Australia/Lord_Howe", 168.5), ("2025-W44", "UTC", 168),
    ],
)  # fmt: skip
def test_a_week_has_the_hours_its_clock_gives_it(text, zone, hours):
    from_s, to_s = Week.parse(text).bounds_s(zone)
    assert (to_s - from_s) / 3600 == hours


def test_days_follow_each_other_and_a_time_is_in_its_week():
    week = Week.parse("2025-W43")
    days = week.days_s("Europe/Oslo")
    assert [b - a for a, b in days] == [86400] * 6 + [90000]
    assert all(a[1] == b[0] for a, b in pairwise(days))
    assert Week.of(days[0][0], "Europe/Oslo") == week
    assert Week.of(days[0][0] - 1, "Europe/Oslo") == week.shifted(-1)
