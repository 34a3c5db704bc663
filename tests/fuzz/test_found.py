"""What the fuzzers found, each held by the input that showed it; the sentence says what it did to a service."""

from __future__ import annotations

import gzip
import json
import resource
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest

from steadyhead.config.marked_yaml import parse_marked
from steadyhead.errors import (
    ArchiveError,
    DeskError,
    FeedError,
    JournalError,
    ProfileError,
    RegistryError,
)
from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.sparkplug import PayloadMessage
from steadyhead.feeds.tables import open_table
from steadyhead.feeds.unpack import ALWAYS_BYTES
from steadyhead.live.reports import from_bytes
from steadyhead.readings.rejects import shown, storable
from steadyhead.store.profiles import load_profile

from .cursors import feed as ask_page
from .flux_csv import HEADS
from .flux_csv import feed as answer_in_csv
from .log_source import stations
from .made import NOW_S, way
from .mqtt_json import Listening
from .profile_json import corpus as profiles

GOOD = json.dumps({"value": 4.25, "time": NOW_S - 60}).encode()


def pushed(value: str, time: str = str(NOW_S - 60), station: str = '"elm"'):
    body = f'[{{"station": {station}, "role": "outlet", "time": {time}, "value": {value}}}]'
    return way().intake.push_json(body.encode(), "found")


def test_a_whole_number_of_hundreds_of_digits_is_refused_and_does_not_fail_the_push():
    for digits in ("9" * 400, "-" + "9" * 400):
        answer = pushed(digits)
        assert answer.accepted == 0
        assert "marks a missing value" in answer.refused[0].reason
        assert "is not in seconds since 1970" in pushed("1", digits).refused[0].reason


def test_a_time_of_line_protocol_beyond_any_clock_is_refused():
    for digits in ("9" * 30, "9" * 400):
        answer = way().intake.push_lines(f"p,station=elm outlet=1 {digits}".encode(), "s", "found")
        assert "lies after 2100" in answer.refused[0].reason
    answer = way().intake.push_lines(b"p,station=elm outlet=" + b"9" * 5000 + b"i", "s", "found")
    assert "more digits than a whole number" in answer.refused[0].reason


def test_half_a_character_or_a_zero_character_is_refused_in_words_that_can_be_stored():
    for name in ('"\\ud800"', '"\\u0000"'):
        answer = pushed("1", station=name)
        answer.refused[0].reason.encode()
        assert "\x00" not in answer.refused[0].reason
        body = f'[{{"station": "elm", "tag": {name}, "time": {NOW_S}, "value": 1}}]'
        assert way().intake.push_json(body.encode(), "found").refused
    assert storable("ä\ud800\x00 m³") == "ä\\ud800\\x00 m³"
    assert shown("a\nb\x00") == "a b\\x00"
    for count in way().journal.refusal_counts():
        (count.tag + count.example).encode()


@pytest.mark.parametrize(
    ("payload", "topic", "body"),
    [
        ("json", b"elm/POUT", b'{"value": 1, "time": 1e400}'),
        ("json", b"elm/POUT", b'{"value": 1, "time": ' + b"9" * 300 + b"}"),
        ("json", b"elm/POUT", b'{"value": ' + b"9" * 400 + b"}"),
        ("json", b"elm/\xff", b'{"value": 1, "time": "never"}'),
        ("sparkplug", b"spBv1.0/site/DDATA/node/\xff", b""),
        ("sparkplug", b"spBv1.0/site/DDATA/node/elm",
         PayloadMessage(timestamp=2**63, metrics=[{"name": "PIN", "double_value": 1}]).SerializeToString()),
    ],
)  # fmt: skip
def test_a_message_that_cannot_be_read_does_not_stop_the_ones_after_it(payload, topic, body):
    """It was never acknowledged, so the broker handed it over again at each new connection: for good."""
    feed = Listening(payload)
    feed.take(topic, body)
    before = way().journal.last_no
    good = Listening("json") if payload == "sparkplug" else feed
    good.take(b"elm/PIN", GOOD)
    assert way().journal.last_no > before
    assert feed._bits is not None  # still connected


def test_a_property_of_sparkplug_that_is_not_utf8_is_no_quality():
    metric = b"\x0a\x03PIN\x4a\x06\x0a\x02\xff\xfe\x12\x00\x69" + bytes(8)
    Listening("sparkplug").take(
        b"spBv1.0/site/DDATA/node/elm", b"\x08\x01" + b"\x12" + bytes([len(metric)]) + metric
    )


def test_aliases_of_sparkplug_do_not_grow_without_end(monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.mqtt_messages.MOST_NAMES", 10)
    feed = Listening("sparkplug")
    for n in range(50):
        body = PayloadMessage(
            timestamp=NOW_S * 1000, metrics=[{"name": f"m{n}", "alias": n, "double_value": 1}]
        )
        feed.take(b"spBv1.0/site/NBIRTH/elm", body.SerializeToString())
    assert len(feed.names) == 10


@pytest.mark.parametrize(
    "answer",
    [
        HEADS.encode() + b",,0,never,plant,PIN,elm,1\n",
        HEADS.encode() + b",,0\n",
        HEADS.encode() + b",,0,2026-03-01T00:00:00,plant,PIN,elm,1\n",
        b",result,table\n",
        b"\xff\xfe\xfd",
        HEADS.encode().replace(b"_time", b"other") + b",,0,2026-03-01T00:00:00Z,plant,PIN,elm,1\n",
    ],
)
def test_a_spoiled_answer_of_influxdb_is_an_error_in_words(answer: bytes):
    """The client library's own errors came out of feed and archive, and nobody above expects those."""
    with pytest.raises((FeedError, ArchiveError)) as met:
        answer_in_csv(answer)
    assert any(said in str(met.value) for said in ("it is tried again", "InfluxDB at", "no time series"))


def test_columns_of_parquet_that_are_neither_text_nor_numbers_are_refused_cell_by_cell():
    assert as_text(pa.array([[1.0], None])).to_pylist() == ["[1.0]", None]
    assert as_text(pa.array([b"\xff"], pa.binary())).to_pylist() == ["b'\\xff'"]
    assert as_text(pa.array(["a", None])).to_pylist() == ["a", None]


def test_a_gzip_file_that_unpacks_without_end_is_refused_before_it_fills_the_memory(tmp_path: Path):
    path = tmp_path / "log.csv.gz"
    member = gzip.compress(bytes(64 << 20), 9)
    path.write_bytes(member * 40)  # 2.6 MB that would be 2.5 GB
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(FeedError, match="unpacks to over"):
        open_table(path, stations().stations["iso"].sources[0])
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
    assert grown < 8 * ALWAYS_BYTES


def test_a_registry_that_nests_or_repeats_without_end_is_refused():
    doubling = "a: &a [x,x,x,x,x,x,x,x]\n" + "".join(
        f"{chr(n + 1)}: &{chr(n + 1)} [{','.join([f'*{chr(n)}'] * 8)}]\n" for n in range(97, 107)
    )
    for text, said in (
        ("[" * 3000, "nested too deep"), ("{a: " * 3000, "nested too deep"), ("- " * 3000, "nested too deep"),
        (doubling, "repeat too much"), ("a: &a {b: *a}", "repeat too much"),
        ('a: "\\ud800"', "half a character"), ('"\\ud800": 1', "half a character"),
    ):  # fmt: skip
        with pytest.raises(RegistryError, match=said):
            parse_marked(text, "stations.yaml")
    assert parse_marked("a: " + "9" * 5000, "x").data == {"a": "9" * 5000}


def test_a_profile_with_another_kind_of_value_in_it_is_refused(tmp_path: Path):
    """It was taken as it stood, and failed only where the engine used it."""
    for data in profiles()[5:]:
        (tmp_path / "elm.json").write_bytes(data)
        with pytest.raises(ProfileError):
            load_profile(tmp_path, "elm", 60)


def test_a_record_whose_columns_are_too_short_is_called_spoiled():
    from .journal_file import corpus

    with pytest.raises(JournalError, match="spoiled"):
        from_bytes(corpus()[-1][1:])


def test_a_cursor_with_a_number_that_no_database_holds_is_refused():
    text = b"\x03newest|1|" + b"9" * 40 + b"|x"
    with pytest.raises(DeskError, match="not a place in this list"):
        ask_page(text)


def test_nothing_of_it_has_become_a_reading():
    records = way().journal.read(0, 10**9)
    values = [from_bytes(r.body).values for r in records if r.kind == "readings"]
    found = np.concatenate([np.zeros(0), *values])
    assert np.all(np.isnan(found) | (np.abs(found) < 1e6))
