"""Values as they come, before any mapping: numbers, numbers written as text, and what is neither."""

import math

import pytest

from steadyhead.feeds.connector import Gathering


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (4, 4.0), (4.25, 4.25), ("4.25", 4.25), (" -4.25 ", -4.25), ("+1e3", 1000.0), ("12.", 12.0),
        (".5", 0.5),
        ("-9999", -9999.0), ("1e400", math.inf),
    ],
)  # fmt: skip
def test_numbers_count_also_where_they_are_written_as_text(raw, value):
    gathering = Gathering()
    gathering.add("a", 1, raw)
    assert gathering.points().values.tolist() == [value]
    assert gathering.points().texts == {}


@pytest.mark.parametrize(
    "raw", ["I/O fail", "", "nan", "inf", "1_000", "4,25", "0x10", "4.2 bar", True, [4], "١"]
)
def test_what_is_no_number_is_kept_as_text_to_be_refused(raw):
    gathering = Gathering()
    gathering.add("a", 1, raw)
    points = gathering.points()
    assert math.isnan(points.values[0])
    assert points.texts == {0: str(raw)}
