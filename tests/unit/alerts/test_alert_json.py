from __future__ import annotations

import dataclasses
import json
from datetime import UTC, datetime, timedelta, timezone
from typing import get_args

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.alerts import jsonlines
from steadyhead.alerts.model import (
    PRIORITIES,
    Alert,
    AlertState,
    Cause,
    DataWindow,
    FieldCheck,
    Runner,
    Verdict,
    alert_id,
    utc,
)
from steadyhead.errors import FeedError, OutputError
from steadyhead.types import CONDITIONS

# The contract, written out here by hand so that a change of the code shows.
CONTRACT = [
    "alert_id", "station", "condition", "state", "priority", "began_at", "raised_at", "updated_at",
    "ended_at", "confidence", "runners_up", "magnitude", "evidence", "likely_causes", "field_checks",
    "profile_version", "data_window",
]  # fmt: skip


def an_alert(**changes) -> Alert:
    alert = Alert(
        alert_id=alert_id("mill_lane", "drift", 1_709_270_400),
        station="mill_lane",
        condition="drift",
        state="active_unacknowledged",
        priority="medium",
        began_at=utc(1_709_000_000),
        raised_at=utc(1_709_270_400),
        updated_at=utc(1_709_280_000),
        ended_at=None,
        confidence=0.84,
        runners_up=(Runner("set_changed", 0.1),),
        magnitude={"departure_kpa": -42.0},
        evidence=("Outlet 348 kPa, 390 kPa learned for this flow – Δ −42 kPa.",),
        likely_causes=(Cause("transmitter_offset", "The transmitter has moved", 0.22),),
        field_checks=(FieldCheck(1, "Compare with a gauge", None, None, "free", ("Mind the chamber.",)),),
        profile_version="2024-02-01",
        data_window=DataWindow(utc(1_708_900_000), utc(1_709_280_000)),
    )
    return dataclasses.replace(alert, **changes)


def check(alert: Alert) -> None:
    schema = jsonlines.schema()
    jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker()).validate(
        json.loads(jsonlines.to_json(alert))
    )


def test_the_schema_is_itself_a_valid_2020_12_schema():
    schema = jsonlines.schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator.check_schema(schema)


def test_schema_object_and_contract_have_the_same_keys_in_the_same_order():
    schema = jsonlines.schema()
    assert list(schema["properties"]) == CONTRACT
    assert schema["required"] == CONTRACT
    assert [item.name for item in dataclasses.fields(Alert)] == CONTRACT
    assert list(json.loads(jsonlines.to_json(an_alert()))) == CONTRACT


def test_every_field_at_every_depth_is_described():
    def look(node, where):
        if isinstance(node, dict):
            for name, value in node.get("properties", {}).items():
                assert value.get("description"), f"{where}.{name}"
                look(value, f"{where}.{name}")
            for key in ("items", "additionalProperties"):
                if isinstance(node.get(key), dict):
                    assert node[key].get("description"), f"{where}.{key}"
                    look(node[key], f"{where}.{key}")

    look(jsonlines.schema(), "alert")


def test_the_schema_knows_every_condition_state_and_priority():
    schema = jsonlines.schema()
    assert schema["$defs"]["condition"]["enum"] == list(CONDITIONS)
    assert schema["properties"]["state"]["enum"] == list(get_args(AlertState))
    assert schema["properties"]["priority"]["enum"] == list(PRIORITIES)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_an_alert_of_every_condition_follows_the_schema(condition):
    check(an_alert(condition=condition, ended_at=utc(1_709_290_000), state="returned_unacknowledged"))


@pytest.mark.parametrize(
    "changes",
    [
        {"condition": "tired"},
        {"state": "ringing"},
        {"confidence": 1.2},
        {"alert_id": "7"},
        {"priority": "urgent"},
        {"magnitude": {"Departure kPa": 1.0}},
        {"field_checks": (FieldCheck(0, "x", None, None, "free"),)},
    ],
)
def test_the_schema_refuses_what_is_not_in_the_contract(changes):
    with pytest.raises(jsonschema.ValidationError):
        check(an_alert(**changes))


text = st.text(min_size=1, max_size=20)
moments = st.integers(0, 4_000_000_000).map(utc)
shares = st.floats(0, 1)


@given(
    alert=st.builds(
        Alert,
        alert_id=st.just("0123456789abcdef"),
        station=text,
        condition=st.sampled_from(CONDITIONS),
        state=st.sampled_from(get_args(AlertState)),
        priority=st.sampled_from(PRIORITIES),
        began_at=moments,
        raised_at=moments,
        updated_at=moments,
        ended_at=st.none() | moments,
        confidence=shares,
        runners_up=st.lists(st.builds(Runner, st.sampled_from(CONDITIONS), shares), max_size=3).map(tuple),
        magnitude=st.dictionaries(st.just("departure_kpa"), st.floats(allow_nan=False, allow_infinity=False)),
        evidence=st.lists(text, max_size=3).map(tuple),
        likely_causes=st.lists(st.builds(Cause, st.just("a_key"), text, shares), max_size=2).map(tuple),
        field_checks=st.lists(
            st.builds(
                FieldCheck,
                st.integers(1, 9),
                text,
                st.none() | text,
                st.none() | text,
                st.sampled_from(["free", "cheap", "isolates"]),
                st.lists(text, max_size=2).map(tuple),
            ),
            max_size=2,
        ).map(tuple),
        profile_version=text,
        data_window=st.builds(DataWindow, moments, moments),
    )
)
def test_what_goes_out_as_a_line_comes_back_the_same(alert):
    line = jsonlines.to_json(alert)
    assert "\n" not in line
    assert jsonlines.from_json(line) == alert
    assert jsonlines.to_json(jsonlines.from_json(line)) == line
    check(alert)


def test_times_are_rfc_3339_in_utc_whatever_zone_they_came_in():
    local = datetime(2024, 3, 1, 6, 20, tzinfo=timezone(timedelta(hours=1)))
    plain = json.loads(jsonlines.to_json(an_alert(raised_at=local)))
    assert plain["raised_at"] == "2024-03-01T05:20:00Z"
    assert plain["ended_at"] is None
    assert utc(1_709_270_400) == datetime(2024, 3, 1, 5, 20, tzinfo=UTC)  # by hand: 19783 days + 19200 s


def test_the_id_depends_on_station_condition_and_raise_time_and_nothing_else():
    first = alert_id("mill_lane", "drift", 1_709_270_400)
    assert first == alert_id("mill_lane", "drift", 1_709_270_400)
    # independent: printf 'mill_lane\ndrift\n1709270400' | sha256sum
    assert first == "ce66cc7ac85e7f89"
    others = {
        alert_id("mill_road", "drift", 1_709_270_400),
        alert_id("mill_lane", "creep", 1_709_270_400),
        alert_id("mill_lane", "drift", 1_709_270_401),
    }
    assert len(others | {first}) == 4


def test_a_number_that_is_not_finite_is_refused_by_name_of_the_alert():
    with pytest.raises(OutputError, match=r"mill_lane, drift .*leave out numbers not known"):
        jsonlines.to_json(an_alert(magnitude={"departure_kpa": float("nan")}))


def test_a_time_without_zone_is_refused():
    with pytest.raises(OutputError, match="has no zone"):
        jsonlines.to_json(an_alert(raised_at=datetime(2024, 3, 1)))  # noqa: DTZ001


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{", "not JSON"),
        ("[]", "holds list, wanted an object"),
        ("{}", "lacks 'condition'"),
        ('{"condition": "tired"}', "condition 'tired' is none of drift, creep"),
        ('{"condition": "drift", "began_at": "yesterday"}', "does not match format"),
    ],
)
def test_a_line_that_is_no_alert_is_refused_in_words(line, words):
    with pytest.raises(FeedError, match=words):
        jsonlines.from_json(line)


def test_several_alerts_are_several_lines_each_ended():
    lines = jsonlines.to_json_lines([an_alert(), an_alert(station="elm_street")])
    assert lines.endswith("\n")
    assert [json.loads(line)["station"] for line in lines.splitlines()] == ["mill_lane", "elm_street"]


def test_a_number_of_the_verdict_is_found_in_facts_or_magnitude_and_never_made_up():
    verdict = Verdict(
        station="mill_lane",
        condition="drift",
        confidence=0.8,
        runners_up=(),
        magnitude={"departure_kpa": -42.0, "rate_kpa_per_day": float("nan")},
        evidence=(),
        began_s=0,
        raised_s=1,
        ended_s=None,
        updated_s=1,
        profile_version="1",
        window_s=(0, 1),
        facts={"set_kpa": 390.0},
    )
    assert verdict.number("departure_kpa") == -42.0
    assert verdict.number("set_kpa") == 390.0
    assert verdict.number("rate_kpa_per_day") is None
    assert verdict.number("inlet_kpa") is None
