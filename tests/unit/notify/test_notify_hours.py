"""Hours on a local clock. Clock changes are checked against pandas, which knows nothing of our code."""

from datetime import date
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from steadyhead.notify.hours import Hours, clock_time_s, end_of_window_s, is_open

# Europe/London: clocks go forward on 2025-03-30 at 01:00 UTC and back on 2025-10-26 at 01:00 UTC.
# America/Chicago: forward on 2025-03-09 at 08:00 UTC, back on 2025-11-02 at 07:00 UTC.
# Source: the IANA time zone database, as days that are commonly known; checked by pandas below.


def at(text: str, zone: str = "UTC") -> int:
    return int(pd.Timestamp(text, tz=zone).timestamp())


def window(days: str, from_: str, to: str) -> Hours:
    return Hours.model_validate({"days": days, "from": from_, "to": to})


@pytest.mark.parametrize("zone", ["Europe/London", "America/Chicago", "Australia/Lord_Howe", "Europe/Dublin"])
@given(
    day=st.dates(date(2024, 1, 1), date(2026, 12, 31)),
    hour=st.integers(0, 23),
    minute=st.integers(0, 59),
)
def test_a_clock_time_is_the_first_moment_that_shows_it_or_has_passed_it(zone, day, hour, minute):
    local = pd.Timestamp(day.year, day.month, day.day, hour, minute)
    either = [
        local.tz_localize(zone, ambiguous=flag, nonexistent="shift_forward").timestamp()
        for flag in (True, False)
    ]
    assert clock_time_s(day, f"{hour:02d}:{minute:02d}", ZoneInfo(zone)) == min(either)


def test_a_window_over_midnight_belongs_to_the_day_it_opens_on():
    friday_night = window("fri", "22:00", "06:00")
    assert is_open(friday_night, at("2025-06-06 23:00"), "UTC")  # a Friday
    assert is_open(friday_night, at("2025-06-07 05:59:59"), "UTC")
    assert not is_open(friday_night, at("2025-06-07 06:00"), "UTC")
    assert not is_open(friday_night, at("2025-06-06 05:00"), "UTC")  # that night began on Thursday
    assert not is_open(friday_night, at("2025-06-07 23:00"), "UTC")


def test_weekdays_are_those_of_the_local_clock():
    monday = window("mon", "00:00", "00:00")
    assert is_open(monday, at("2025-06-09 03:00"), "UTC")
    assert not is_open(monday, at("2025-06-09 03:00"), "America/Chicago")  # still Sunday evening there
    assert is_open(monday, at("2025-06-10 03:00"), "America/Chicago")


def test_a_zone_of_its_own_goes_before_that_of_the_settings():
    hours = Hours.model_validate({"from": "08:00", "to": "16:00", "time_zone": "Europe/London"})
    assert is_open(hours, at("2025-07-01 07:30"), "UTC")
    assert not is_open(hours, at("2025-07-01 15:30"), "UTC")


def test_the_night_in_which_clocks_go_forward_is_an_hour_shorter():
    night = window("daily", "22:00", "06:00")
    begin, end = at("2025-03-29 22:00", "Europe/London"), at("2025-03-30 06:00", "Europe/London")
    assert end - begin == 7 * 3600
    assert not is_open(night, begin - 1, "Europe/London")
    assert end_of_window_s(night, begin, "Europe/London") == end
    assert end_of_window_s(night, end - 1, "Europe/London") == end
    assert end_of_window_s(night, end, "Europe/London") is None


def test_the_night_in_which_clocks_go_back_is_an_hour_longer():
    night = window("daily", "22:00", "06:00")
    begin, end = at("2025-10-25 22:00", "Europe/London"), at("2025-10-26 06:00", "Europe/London")
    assert end - begin == 9 * 3600
    assert end_of_window_s(night, begin, "Europe/London") == end


def test_a_window_that_ends_in_the_hour_that_never_comes_ends_with_the_jump():
    night = window("daily", "22:00", "01:30")
    assert end_of_window_s(night, at("2025-03-30 00:30"), "Europe/London") == at("2025-03-30 01:00")


def test_two_windows_that_meet_in_the_hour_that_comes_twice_have_no_gap_and_no_overlap():
    first, second = window("daily", "22:00", "01:30"), window("daily", "01:30", "06:00")
    for minute in range(0, 8 * 60, 5):
        moment = at("2025-10-25 21:00") + minute * 60
        assert is_open(first, moment, "Europe/London") + is_open(second, moment, "Europe/London") == 1


def test_whole_days_that_follow_each_other_are_one_window():
    weekend = window("sat, sun", "00:00", "00:00")
    saturday, monday = at("2025-06-07 10:00"), at("2025-06-09 00:00")
    assert end_of_window_s(weekend, saturday, "UTC") == monday
    assert end_of_window_s(weekend, monday, "UTC") is None


def test_a_window_of_the_whole_week_has_no_end():
    always = window("daily", "00:00", "00:00")
    assert is_open(always, at("2025-06-07 10:00"), "UTC")
    assert end_of_window_s(always, at("2025-06-07 10:00"), "UTC") is None


@pytest.mark.parametrize("wrong", [{"from": "25:00"}, {"days": "someday"}, {"time_zone": "Mars"}])
def test_what_is_no_time_is_refused(wrong):
    with pytest.raises(ValidationError):
        Hours.model_validate(wrong)
