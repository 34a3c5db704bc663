"""A registry file becomes frozen models in working units."""

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pydantic
import pytest

from steadyhead.config import (
    SetPressure,
    Station,
    Tag,
    Valve,
    declared_set_kpa,
    load_registry,
    parse_registry,
)

ROOT = Path(__file__).parents[3]

LEAST = """
stations:
  elm_street:
    time_zone: Europe/London
    step_s: 900
    tags: {outlet: {tag: PT2, unit: bar}}
    sources: [{path: a.csv}]
"""


def one_station(text):
    return next(iter(parse_registry(text).stations.values()))


def test_the_least_registry_is_enough():
    station = one_station(LEAST)
    assert station.name == "elm_street"
    assert station.reporting == "sampled"
    assert station.valve.min_differential_kpa == 70.0
    assert station.learning_span_s() == (None, None)
    assert station.sources[0].path == ("a.csv",)


def test_the_example_in_the_repository_loads():
    registry = load_registry(ROOT / "config" / "example.yaml")
    elm = registry.stations["elm_street"]
    assert elm.tags["outlet"].tag == "elm_street.PT2"
    assert elm.set_pressure.nominal_kpa == pytest.approx(420.0)
    assert registry.stations["mill_lane"].sources[0].path == ("mill_lane/*.csv",)
    assert registry.stations["mill_lane"].time_zone == "Europe/London"
    assert registry.log_root.resolve() == (ROOT / "logs").resolve()
    assert registry.settings.units.pressure == "bar"


def test_a_folder_means_its_stations_yaml(tmp_path):
    (tmp_path / "stations.yaml").write_text(LEAST)
    assert set(load_registry(tmp_path).stations) == {"elm_street"}
    assert load_registry(tmp_path).log_root == tmp_path


def test_quantities_may_carry_their_own_unit():
    station = one_station(
        LEAST
        + """
    set_pressure: {nominal_kpa: 60 psi}
    meter_cutoff_lps: 10 gpm
    valve: {size_mm: 6 in, rated_kv_m3h: 100 Cv}
"""
    )
    # By hand from exact definitions: 60 * 6.894757293, 10 * 0.0630901964, 6 * 25.4, 100 * 0.86497766.
    assert station.set_pressure.nominal_kpa == pytest.approx(413.685438)
    assert station.meter_cutoff_lps == pytest.approx(0.630901964)
    assert station.valve.size_mm == pytest.approx(152.4)
    assert station.valve.rated_kv_m3h == pytest.approx(86.497766)


def test_a_station_goes_before_the_defaults_key_by_key():
    registry = parse_registry(
        """
defaults:
  time_zone: UTC
  step_s: 60
  valve: {size_mm: 100, min_differential_kpa: 50}
  sources: [{path: "{station}/*.csv"}]
stations:
  a: {tags: {outlet: {tag: "{station}.P", unit: m}}, valve: {size_mm: 80}}
  b: {tags: {outlet: {tag: P, unit: m}}, step_s: 1, sources: [{path: x.csv}]}
"""
    )
    a, b = registry.stations["a"], registry.stations["b"]
    assert (a.valve.size_mm, a.valve.min_differential_kpa) == (80, 50)
    assert (a.tags["outlet"].tag, a.sources[0].path) == ("a.P", ("a/*.csv",))
    assert (b.step_s, b.sources[0].path) == (1, ("x.csv",))


def test_times_words_and_numbers_stay_as_written():
    station = one_station(
        LEAST.replace("PT2", "007").replace(
            "sources: [{path: a.csv}]", "sources: [{path: a.csv, time_column: on}]"
        )
        + "    set_pressure: {schedule: [{from: 06:00, kpa: 300}]}\n"
    )
    assert station.tags["outlet"].tag == "007"
    assert station.sources[0].time_column == "on"
    assert station.set_pressure.schedule[0].from_time == "06:00"


def test_the_learning_span_is_placed_by_the_stations_zone():
    station = one_station(LEAST + "    learn: {from: 2025-07-01, to: 2025-07-02T00:00Z}\n")
    assert station.learn.from_at == datetime(2025, 6, 30, 23, tzinfo=UTC)
    assert station.learn.to_at == datetime(2025, 7, 2, tzinfo=UTC)


def test_models_can_be_made_in_code_and_do_not_change():
    station = Station(
        name="a",
        time_zone="UTC",
        step_s=60,
        tags={"outlet": Tag(tag="p", unit="PSI")},
        valve=Valve(size_mm=100),
        sources=({"path": "a.csv"},),
    )
    assert station.tags["outlet"].unit == "psi"
    with pytest.raises(pydantic.ValidationError, match="frozen"):
        station.step_s = 1


def test_anchors_and_merge_keys_work():
    registry = parse_registry(
        LEAST.replace("elm_street:", "elm_street: &elm") + "  oak_road: {<<: *elm, step_s: 60, zone: low}\n"
    )
    oak = registry.stations["oak_road"]
    assert (oak.step_s, oak.zone, oak.tags["outlet"].tag) == (60, "low", "PT2")


def test_a_schedule_is_read_by_the_local_clock():
    set_pressure = SetPressure(
        nominal_kpa=1.0,
        schedule=[
            {"days": "mon-fri", "from": "06:00", "kpa": 400},
            {"days": "daily", "from": "22:00", "kpa": 300},
        ],
    )
    # By hand. 2025-07-07 is a Monday and New York is at UTC-4: 05:59 and 06:00 local, then 22:00, and
    # Saturday noon, which still has Friday night's step.
    times = ["2025-07-07T09:59", "2025-07-07T10:00", "2025-07-08T02:00", "2025-07-12T16:00"]
    times_s = np.array(times, dtype="datetime64[s]").astype(np.int64)
    assert declared_set_kpa(set_pressure, times_s, "America/New_York").tolist() == [300, 400, 300, 300]


def test_without_a_schedule_the_nominal_pressure_holds_and_without_both_nothing():
    times_s = np.arange(3)
    assert declared_set_kpa(SetPressure(nominal_kpa=250), times_s, "UTC").tolist() == [250] * 3
    assert np.isnan(declared_set_kpa(SetPressure(), times_s, "UTC")).all()
