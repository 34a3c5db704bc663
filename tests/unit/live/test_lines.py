"""Line protocol taken apart. Source of the examples: InfluxDB 2 documentation, from memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from influxdb_client import Point

from steadyhead.live.lines import LineError, parse_line


def test_the_parts_of_a_line():
    line = parse_line(
        'myMeasurement,tag1=value1,tag2=value2 fieldKey="fieldValue",n=12i,x=-1.5e3 1556813561098000000'
    )
    assert line.measurement == "myMeasurement"
    assert line.tags == {"tag1": "value1", "tag2": "value2"}
    assert line.fields == {"fieldKey": "fieldValue", "n": 12, "x": -1500.0}
    assert line.time == 1_556_813_561_098_000_000


def test_escapes_and_quotes():
    line = parse_line(r'my\ measurement,tag\ Key=tag\,Val\=ue f1="a \"b\", c d",f\ 2=1')
    assert line.measurement == "my measurement"
    assert line.tags == {"tag Key": "tag,Val=ue"}
    assert line.fields == {"f1": 'a "b", c d', "f 2": 1.0}
    assert line.time is None


@pytest.mark.parametrize("text", ["t", "TRUE", "False", "f"])
def test_true_and_false(text: str):
    assert parse_line(f"m v={text}").fields["v"] is (text[0] in "tT")


@pytest.mark.parametrize(
    "text", ["", "m", "m v=1 2 3", ",a=b v=1", "m v=", "m =1", "m v=1 1.5", "m v=0x1F", "m v=nan"]
)
def test_what_is_no_line(text: str):
    with pytest.raises(LineError):
        parse_line(text)


# independent: the lines that influxdb-client writes
names = st.text(st.characters(codec="ascii", categories=("L", "N"), include_characters=" ,=_-."), min_size=1)


@given(
    names,
    names,
    st.floats(allow_nan=False, allow_infinity=False),
    st.integers(0, 2**62),
    st.text(max_size=20),
)
def test_lines_written_by_the_influxdb_client_read_back(measurement, tag, value, at, text):
    text = text.replace("\n", "").replace("\r", "")
    point = Point(measurement).tag("station", tag).field("x", value).field("t", text).time(at)
    line = parse_line(point.to_line_protocol())
    assert line.measurement == measurement
    assert line.tags == {"station": tag}
    assert line.fields["x"] == pytest.approx(value)
    assert line.fields["t"] == text
    assert line.time == at
