"""When a figure is called worse or better."""

import pytest

from steadyhead.weekly.compare import change, least_change
from steadyhead.weekly.definitions import DEFINITIONS

SET_KPA = 400.0
STILL = (10.0, 10.0, 10.0, 10.0)


@pytest.mark.parametrize(
    ("key", "value", "before", "wanted"),
    [
        ("departure_mean", 14.1, STILL, "worse"),  # by hand: 1 % of 400 kPa is 4, a quarter of 10 is 2.5
        ("departure_mean", 13.9, STILL, "alike"),
        ("departure_mean", 5.9, STILL, "better"),
        ("departure_mean", 20.0, (5.0, 15.0, 5.0, 15.0), "alike"),  # twice their spread of 5.77 is 11.5
        ("departure_mean", 22.0, (5.0, 15.0, 5.0, 15.0), "worse"),
        ("kv_reserve", 0.40, (0.5, 0.5, 0.5, 0.5), "worse"),
        ("kv_reserve", 0.60, (0.5, 0.5, 0.5, 0.5), "better"),
        ("level", -6.0, (0.0, 0.0, 0.0, 0.0), "worse"),
        ("level", -6.0, (-11.0, -11.0, -11.0, -11.0), "better"),
        ("level", 8.0, (-8.0, -8.0, -8.0, -8.0), "worse"),
        ("night_flow", 12.1, STILL, "worse"),
        ("departure_mean", 99.0, (None, None, None, 10.0), "unknown"),
        ("departure_mean", None, STILL, "unknown"),
        ("departure_mean", 99.0, (None, 10.0, None, 10.0), "worse"),
    ],
)
def test_a_change_has_to_pass_what_the_weeks_do_and_what_matters(key, value, before, wanted):
    assert change(DEFINITIONS[key], value, before, SET_KPA) == wanted


def test_the_least_change_is_the_largest_of_its_floors():
    assert least_change(DEFINITIONS["departure_mean"], STILL, SET_KPA) == 4.0
    assert least_change(DEFINITIONS["departure_mean"], STILL, None) == 2.5
    assert least_change(DEFINITIONS["hunting_hours"], (0.0, 0.0), SET_KPA) == 2.0
    assert least_change(DEFINITIONS["hunting_hours"], (0.0, None), SET_KPA) is None
