"""Until when an alert is put aside."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from steadyhead.web.shelf import until_of

ZONE = "Europe/Berlin"


def at(text):
    return int(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)).timestamp())


# by hand, on the clock of the station; the last two are the nights on which it is set
@pytest.mark.parametrize(
    ("now", "choice", "clock", "until"),
    [
        ("2025-11-03 05:59", "shift", "", "2025-11-03 06:00"),
        ("2025-11-03 06:00", "shift", "", "2025-11-03 14:00"),
        ("2025-11-03 23:10", "shift", "", "2025-11-04 06:00"),
        ("2025-11-03 09:00", "clock", "14:30", "2025-11-03 14:30"),
        ("2025-11-03 15:00", "clock", "14:30", "2025-11-04 14:30"),
        ("2025-11-03 14:30", "clock", "14:30", "2025-11-04 14:30"),
        ("2025-11-03 09:00", "3600", "", "2025-11-03 10:00"),
        ("2025-10-25 23:00", "shift", "", "2025-10-26 06:00"),
        ("2025-03-29 23:00", "clock", "04:00", "2025-03-30 04:00"),
    ],
)
def test_the_end_is_the_next_such_time_at_the_station(now, choice, clock, until):
    assert until_of(choice, clock, ZONE, at(now)) == at(until)


@pytest.mark.parametrize(
    ("choice", "clock", "said"),
    [
        ("clock", "", "no time of day was given"),
        ("clock", "25:00", '"25:00" is no time of day'),
        ("", "", "it was not said until when"),
        ("-5", "", "it was not said until when"),
        ("604801", "", "it was not said until when"),
    ],
)
def test_what_is_no_time_is_refused_with_the_reason_that_fits(choice, clock, said):
    assert said in str(until_of(choice, clock, ZONE, at("2025-11-03 09:00")))
