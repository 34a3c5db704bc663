"""A mapping file: patterns, what they make of tags, and every mistake with its line."""

import numpy as np
import pytest

from steadyhead.config import ROLES, parse_registry
from steadyhead.errors import FeedError, RegistryError
from steadyhead.feeds.connector import Gathering
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import load_mapping
from steadyhead.feeds.tabular import read_station
from steadyhead.feeds.turning import turn
from steadyhead.live.settings import load_settings

GOOD = """
utility: Marrow Vale Water
time_zone: Europe/London
step_s: 60
reporting: on_change
heartbeat_s: 3600
quality: {style: opc_ua, map: {"Comm Fail": bad}, accept_uncertain: true}
bad_values: [-1]
tags:
  - {pattern: "WW.{station}.PT1*", role: inlet, unit: bar, deadband: 0.05, low: 0, high: 16}
  - {pattern: "WW.{station}.PT2", role: outlet, unit: bar, scale: 0.1}
  - {pattern: "PLANT/FT-7", station: works, role: flow, unit: m3/h}
  - {pattern: "PLANT/PT-8", station: works, role: outlet, unit: kPa}
names: {ELM_ST: elm_street}
stations:
  elm_street: {zone: low_town, set_pressure: {nominal_kpa: 4 bar}, valve: {size_mm: 100}}
"""
TAGS = ["WW.ELM_ST.PT1.PV", "WW.ELM_ST.PT2", "PLANT/FT-7", "PLANT/PT-8", "other"]


@pytest.fixture
def load(tmp_path):
    def read(text):
        (tmp_path / "mapping.yaml").write_text(text)
        return load_mapping(tmp_path / "mapping.yaml")

    return read


def test_tags_find_their_station_and_role(load):
    mapper = Mapper(load(GOOD))
    found = {tag: mapper.place(tag) for tag in TAGS}
    assert {tag: (p.station, p.role) for tag, p in found.items() if p} == {
        "WW.ELM_ST.PT1.PV": ("elm_street", "inlet"),
        "WW.ELM_ST.PT2": ("elm_street", "outlet"),
        "PLANT/FT-7": ("works", "flow"),
        "PLANT/PT-8": ("works", "outlet"),
    }


def test_it_makes_a_registry_that_loads(load):
    registry = parse_registry(Mapper(load(GOOD)).registry_text(TAGS))
    elm = registry.stations["elm_street"]
    assert elm.sources == ()  # its readings come by the feed
    with pytest.raises(FeedError, match=r"elm_street: has no log files.*name them under sources"):
        read_station(elm, ".")
    assert (elm.zone, elm.step_s, elm.heartbeat_s, elm.set_pressure.nominal_kpa) == (
        "low_town",
        60,
        3600,
        400.0,
    )
    assert (elm.tags["inlet"].tag, elm.tags["inlet"].deadband, elm.tags["inlet"].high) == (
        "WW.ELM_ST.PT1.PV",
        0.05,
        16,
    )
    assert elm.tags["outlet"].scale == 0.1
    assert set(registry.stations["works"].tags) == {"flow", "outlet"}


def test_two_tags_for_one_role_and_a_station_without_an_outlet_are_said(load):
    mapper = Mapper(load(GOOD))
    with pytest.raises(FeedError, match="both its inlet; make the patterns narrower"):
        mapper.registry_text([*TAGS, "WW.ELM_ST.PT1.SP"])
    with pytest.raises(FeedError, match="works: no tag fits a pattern for its outlet"):
        mapper.registry_text(["PLANT/FT-7"])
    with pytest.raises(FeedError, match="no tag fits any pattern"):
        mapper.registry_text(["other"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ("unit: bar, scale: 0.1", "unit: psig, scale: 0.1"),
            'mapping.yaml:11 tags[1].unit: "psig" is not a known unit',
        ),
        (("role: flow", "role: floww"), 'mapping.yaml:12 tags[2].role: "floww" is not known here'),
        (("unit: m3/h", "unit: bar"), 'mapping.yaml:12 tags[2].unit: "bar" does not measure a flow'),
        (('"WW.{station}.PT2"', '"WW.PT2"'), 'mapping.yaml:11 tags[1].pattern: "WW.PT2" holds no {station}'),
        (
            ("station: works, role: flow", "role: flow"),
            'mapping.yaml:12 tags[2].pattern: "PLANT/FT-7" holds no',
        ),
        (("scale: 0.1", "scale: 0"), "mapping.yaml:11 tags[1].scale: is 0"),
        (("time_zone: Europe/London", "time_zone: Europe/Londn"), "mapping.yaml:3 time_zone:"),
        (("heartbeat_s: 3600", ""), "mapping.yaml:5 reporting: is on_change, so heartbeat_s is needed"),
        (("zone: low_town", "zones: low_town"), 'stations.elm_street.zones: "zones" is not known here'),
        (("step_s: 60", "stepp_s: 60"), 'mapping.yaml:4 stepp_s: "stepp_s" is not a known key'),
        (("low: 0, high: 16", "low: 20, high: 16"), "mapping.yaml:10 tags[0].low: 20 is not below high"),
        (("elm_street}", '"elm street"}'), "names.ELM_ST"),
    ],
)
def test_each_mistake_is_said_with_its_line(load, change, said):
    assert change[0] in GOOD
    with pytest.raises(RegistryError) as met:
        load(GOOD.replace(*change))
    assert said in str(met.value)
    assert "docs/registry.md" not in str(met.value)


def test_values_are_turned_and_refused_by_kind(load):
    found = Gathering()
    us = 1_751_328_000_000_000
    for tag, at, raw, code in [
        ("WW.ELM_ST.PT2", us, 40.0, 0),
        ("WW.ELM_ST.PT1", us, 6.2, 0x40F20000),
        ("WW.ELM_ST.PT1", us + 1, 20.0, 0),
        ("WW.ELM_ST.PT1", us + 2, 6.0, 0x803C0000),
        ("WW.ELM_ST.PT1", us + 3, 6.0, "Comm Fail"),
        ("PLANT/FT-7", us, 36.0, None),
        ("PLANT/FT-7", us + 1, -1.0, None),
        ("PLANT/FT-7", us + 2, "off", None),
        ("PLANT/FT-7", 5, 36.0, None),
        ("PLANT/FT-7", us + 9, 36.0, None),
        ("PLANT/FT-7", us + 3, None, None),
        ("PLANT/FT-7", us + 4, True, None),
        ("other", us, 1.0, None),
        ("PLANT/FT-7", us + 5, 1e38, None),
    ]:
        found.add(tag, at, raw, code)
    turned = turn(found.points(), Mapper(load(GOOD)), us + 8)
    good = ~np.isnan(turned.values)
    assert {
        (turned.stations[s], ROLES[r], int(t), round(float(v), 6))
        for s, r, t, v in zip(
            turned.station[good], turned.role[good], turned.us[good], turned.values[good], strict=True
        )
    } == {
        ("elm_street", "outlet", us, 400.0),
        ("elm_street", "inlet", us, 620.0),
        ("works", "flow", us, 10.0),
    }
    assert sorted((one.why, one.n) for one in turned.refusals) == [
        ("bad_quality", 2),
        ("bad_time", 1),
        ("future_time", 1),
        ("no_value", 1),
        ("not_a_number", 2),
        ("out_of_range", 1),
        ("sentinel", 2),
        ("unknown_tag", 1),
    ]
    assert all(one.example for one in turned.refusals)
    assert (turned.flags[~good] != 0).all()  # a refused value keeps its place, as a gap


SERVICE = """
feeds:
  one:
    kind: sql
    mapping: mapping.yaml
    url: sqlite:///x
    query: "SELECT t FROM h WHERE t >= :from AND t < :to"
"""


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            ("kind: sql", "kind: sqll"),
            'service.yaml:4 feeds.one.kind: "sqll" is no kind of feed; use one of sql',
        ),
        (("    kind: sql\n", ""), "feeds.one.kind: has no kind"),
        (("url:", "ur:"), 'service.yaml:6 feeds.one.ur: "ur" is not a known key'),
        ((":from", ":fro"), "service.yaml:7 feeds.one.query: holds no :from"),
        (("    mapping: mapping.yaml\n", ""), "feeds.one.mapping: is missing; add it, see docs/feeds/sql.md"),
    ],
)
def test_a_mistake_in_the_settings_of_a_feed_is_said_with_its_line(tmp_path, change, said):
    (tmp_path / "service.yaml").write_text(SERVICE.replace(*change))
    with pytest.raises(RegistryError) as met:
        load_settings(tmp_path / "service.yaml")
    assert said in str(met.value)


def test_files_of_a_feed_are_beside_the_settings(tmp_path):
    (tmp_path / "service.yaml").write_text(SERVICE)
    assert load_settings(tmp_path / "service.yaml").feeds["one"].mapping == tmp_path / "mapping.yaml"
