"""Each mistake an integrator can make is made in a log of the proving plant, and found; and no other is."""

from datetime import UTC, datetime
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml
from rich.console import Console

from steadyhead.config import load_registry
from steadyhead.feeds.check.feed_sample import check_points
from steadyhead.feeds.check.findings import LooseTag
from steadyhead.feeds.check.guessing import guessed_role, proposed_mapping
from steadyhead.feeds.check.logs import check_logs
from steadyhead.feeds.check.table import show
from steadyhead.feeds.connector import Gathering
from steadyhead.feeds.mapping import Mapping
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.made import make_station
from steadyhead.units import UNIT_SYSTEMS

ROOT = Path(__file__).parents[3]
NOW_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
NAME = "proving_station"

# kPa and L/s in one of each, as NIST SP 811, Appendix B.8, prints them
PSI, METRE, GPM, ATMOSPHERE = 6.894757, 9.80665, 0.06309020, 101.325


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """A sound station: its registry as plain data, and its log."""
    folder = tmp_path_factory.mktemp("plant")
    asked = Asked(
        name=NAME, days=12, interval_s=300, start_s=1_743_984_000, seed=3, time_zone="America/Chicago",
        district="usual", faults=(), events=(),
    )  # fmt: skip
    make_station(asked, folder, UNIT_SYSTEMS["kpa_lps"])
    registry = yaml.safe_load((folder / "stations.yaml").read_text())
    del registry["stations"][NAME]["learn"]
    return registry, pd.read_csv(folder / f"{NAME}.csv")


@pytest.fixture
def check(sound, tmp_path):
    """Check the sound station after a change of its log, of its registry, or of both."""

    def run(change=lambda log: log, mend=lambda station: None, now_s=NOW_S):
        registry, log = sound
        registry = yaml.safe_load(yaml.safe_dump(registry))
        mend(registry["stations"][NAME])
        change(log.copy()).to_csv(tmp_path / f"{NAME}.csv", index=False)
        (tmp_path / "stations.yaml").write_text(yaml.safe_dump(registry))
        loaded = load_registry(tmp_path / "stations.yaml")
        return check_logs(loaded, tmp_path, [NAME], now_s).stations[0]

    return run


def kinds(found):
    return {(one.kind, one.role) for one in found.findings}


def scaled(role, factor):
    return lambda log: log.assign(**{role: log[role] * factor})


def test_a_sound_station_gives_nothing(check):
    found = check()
    assert kinds(found) == set()
    assert found.proposed == ""
    assert [tag.n for tag in found.tags] == [len(found.tags) and found.tags[0].n] * 3


def test_the_sample_logs_give_nothing():
    registry = load_registry(ROOT / "config" / "stations.yaml")
    report = check_logs(registry, registry.log_root, list(registry.stations), NOW_S)
    assert [str(finding) for finding in report.findings] == []
    assert len(report.stations) == 12
    assert all(len(one.tags) == len(registry.stations[one.station].tags) for one in report.stations)


@pytest.mark.parametrize(
    ("role", "factor", "sent_in"),
    [
        ("outlet", 1 / PSI, "psi"),
        ("outlet", 1 / METRE, "m"),
        ("outlet", 1 / 100, "bar"),
        ("outlet", 1 / 1000, "MPa"),
        ("inlet", 1 / PSI, "psi"),
        ("inlet", 1 / 100, "bar"),
    ],
)
def test_a_pressure_read_in_the_wrong_unit(check, role, factor, sent_in):
    found = check(scaled(role, factor))
    assert kinds(found) == {("unit", role)}
    assert sent_in in found.findings[0].do
    assert found.findings[0].do in found.proposed


def test_both_pressures_in_psi_read_as_kpa(check):
    found = check(lambda log: log.assign(inlet=log.inlet / PSI, outlet=log.outlet / PSI))
    assert kinds(found) == {("unit", "inlet"), ("unit", "outlet")}
    assert all("psi" in one.do for one in found.findings)


def test_kpa_read_as_psi(check):
    def mend(station):
        station["tags"]["outlet"]["unit"] = "psi"
        station["tags"]["inlet"]["unit"] = "psi"

    found = check(mend=mend)
    assert kinds(found) == {("unit", "inlet"), ("unit", "outlet")}
    assert all("kPa" in one.do for one in found.findings)


@pytest.mark.parametrize(("factor", "sent_in"), [(1 / GPM, "gpm"), (60.0, "L/min")])
def test_a_flow_read_as_litres_a_second(check, factor, sent_in):
    found = check(scaled("flow", factor))
    assert kinds(found) == {("unit", "flow")}
    assert sent_in in found.findings[0].do


def test_litres_a_second_read_as_megalitres_a_day_or_gallons(check):
    too_much = check(mend=lambda station: station["tags"]["flow"].update(unit="ML/d"))
    assert kinds(too_much) == {("unit", "flow")}
    too_little = check(mend=lambda station: station["tags"]["flow"].update(unit="L/min"))
    assert kinds(too_little) == {("unit", "flow")}


def test_a_valve_of_which_nothing_is_declared_leaves_the_unit_of_flow_open(check):
    found = check(scaled("flow", 1 / GPM), mend=lambda station: station.update(valve={}))
    assert ("unit", "flow") not in kinds(found)
    assert any("unit of flow" in text for text in found.unjudged)


def test_swapped_tags(check):
    found = check(lambda log: log.rename(columns={"inlet": "outlet", "outlet": "inlet"}))
    assert kinds(found) == {("swapped", None)}
    assert 'inlet: {tag: "outlet"' in found.proposed


def test_absolute_pressure_read_as_gauge(check):
    found = check(lambda log: log.assign(outlet=log.outlet + ATMOSPHERE, inlet=log.inlet + ATMOSPHERE))
    assert kinds(found) == {("absolute", "outlet")}
    assert "-101.3" in found.findings[0].do


def test_without_a_set_pressure_absolute_readings_are_not_judged_and_that_is_said(check):
    found = check(
        lambda log: log.assign(outlet=log.outlet + ATMOSPHERE),
        mend=lambda station: station.pop("set_pressure"),
    )
    assert ("absolute", "outlet") not in kinds(found)
    assert any("gauge against absolute" in text for text in found.unjudged)


@pytest.mark.parametrize("role", ["flow", "inlet", "outlet"])
def test_a_turned_sign(check, role):
    found = check(scaled(role, -1.0))
    assert ("sign", role) in kinds(found)
    assert "scale: -1" in next(one.do for one in found.findings if one.kind == "sign")


def test_utc_read_as_local_time_puts_the_night_into_the_evening(check):
    def without_offset(log):
        return log.assign(time=log.time.str.removesuffix("Z"))

    # Chicago is 5 h behind UTC in April: the plant is quietest about 02:00, which is 07:00 in UTC
    found = check(without_offset)
    assert kinds(found) <= {("clock", "flow"), ("clock", None)}
    clock = next(one for one in found.findings if one.role == "flow")
    assert "UTC" in clock.do
    assert clock.met.split("about ")[1][:2] in ("06", "07")


def test_morning_and_afternoon_mixed_up(check):
    def twelve_hours_off(log):
        return log.assign(
            time=(pd.to_datetime(log.time) + pd.Timedelta(hours=12)).map(lambda at: at.isoformat())
        )

    found = check(twelve_hours_off)
    assert kinds(found) == {("clock", "flow")}
    clock = found.findings[0]
    assert 13 <= int(clock.met.split("about ")[1][:2]) <= 17
    assert "%p" in clock.do


def test_times_in_the_future(check, sound):
    last = pd.to_datetime(sound[1].time).max().timestamp()
    found = check(now_s=last - 7200)
    assert kinds(found) == {("future", None)}
    assert "1.9 h" in found.findings[0].met or "2.0 h" in found.findings[0].met


@pytest.mark.parametrize("role", ["inlet", "outlet", "flow"])
def test_a_value_that_stands_still(check, role):
    def stuck(log):
        log.loc[1000:1199, role] = log[role].iloc[1000]  # 200 readings, 16.6 h
        return log

    found = check(stuck)
    assert kinds(found) == {("frozen", role)}
    assert "for 16.6 h" in found.findings[0].met


def test_a_wrong_step(check):
    found = check(mend=lambda station: station.update(step_s=60))
    assert {one.kind for one in found.findings} == {"rate"}
    assert "step_s: 300" in found.findings[0].do


def test_changes_alone_taken_for_samples(check):
    def on_change(log):
        level = (log.outlet / 2.0).round() * 2.0
        moved = (level.diff() != 0) | (np.arange(len(log)) % 12 == 0)
        return log[moved]

    found = check(on_change)
    assert ("reporting", "outlet") in kinds(found)
    assert "heartbeat_s: 3600" in next(one.do for one in found.findings if one.kind == "reporting")


def test_long_gaps(check):
    found = check(lambda log: log.drop(index=range(800, 1300)))
    assert {one.kind for one in found.findings} == {"gaps"}
    assert "41." in found.findings[0].met  # 500 readings of 5 min


def test_many_refused_values(check):
    def failing(log):
        log["outlet"] = log["outlet"].astype(object)
        log.loc[log.index % 8 == 0, "outlet"] = "I/O fail"
        return log

    found = check(failing)
    assert ("quality", "outlet") in kinds(found)
    text = str(next(one for one in found.findings if one.kind == "quality"))
    assert "I/O fail" in text
    assert "bad_values" in text
    assert next(tag for tag in found.tags if tag.role == "outlet").refused == pytest.approx(1 / 8, abs=0.01)


def test_two_units_in_one_tag(check):
    def half_in_psi(log):
        log.loc[log.index > 1500, "outlet"] /= PSI
        return log

    found = check(half_in_psi)
    assert kinds(found) == {("mixed_units", "outlet")}
    assert "some are in psi, others in kPa" in found.findings[0].met


def test_a_tag_that_is_called_otherwise(check):
    found = check(lambda log: log.rename(columns={"outlet": "OUTLET_PRESSURE"}))
    assert kinds(found) == {("unreadable", None)}
    assert [(tag.tag, tag.guess) for tag in found.loose] == [("OUTLET_PRESSURE", "outlet")]


@pytest.mark.parametrize("gone", [("inlet",), ("flow",), ("inlet", "flow")])
def test_a_station_without_an_inlet_or_a_meter_is_judged_as_far_as_it_goes(check, gone):
    def mend(station):
        for role in gone:
            del station["tags"][role]

    assert kinds(check(mend=mend)) == set()
    assert kinds(check(scaled("outlet", 1 / PSI), mend=mend)) == {("unit", "outlet")}


def test_a_column_of_nobody(check):
    found = check(lambda log: log.assign(battery=3.6))
    assert kinds(found) == set()
    assert [tag.tag for tag in found.loose] == ["battery"]


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("ELM.PT1", "inlet"),
        ("US head (m)", "inlet"),
        ("Trykk ut", "outlet"),
        ("site_7/FLOW", "flow"),
        ("x", None),
    ],
)
def test_a_name_suggests_a_role(name, role):
    assert guessed_role(name) == role


def test_the_proposed_mapping_finds_where_the_station_stands_in_a_name():
    loose = [
        LooseTag(f"WW.{station}.{end}", 10, low, low, low, role)
        for station in ("ELM_ST", "MILL_LN")
        for end, low, role in (("PIN", 640.0, "inlet"), ("POUT", 400.0, "outlet"), ("FLOW", 9.0, "flow"))
    ]
    mapping = yaml.safe_load(proposed_mapping(loose, "Europe/Oslo", 60))
    assert [(tag["pattern"], tag["role"], tag["unit"]) for tag in mapping["tags"]] == [
        ("WW.{station}.FLOW", "flow", "L/s"),
        ("WW.{station}.PIN", "inlet", "kPa"),
        ("WW.{station}.POUT", "outlet", "kPa"),
    ]


def test_a_tag_of_which_all_is_refused_is_not_passed_over_in_silence():
    gathering = Gathering()
    for n in range(50):
        gathering.add("WW.elm.PT2", (1_751_328_000 + 300 * n) * 1_000_000, "I/O fail")
    mapping = Mapping.model_validate({
        "time_zone": "UTC", "step_s": 300,
        "tags": [{"pattern": "WW.{station}.PT2", "role": "outlet", "unit": "bar"}],
    })  # fmt: skip
    report = check_points("feed x", gathering.points(), mapping, 1_751_400_000.0)
    (finding,) = report.findings
    assert (finding.kind, finding.station, finding.role, finding.tag) == (
        "quality",
        "elm",
        "outlet",
        "WW.elm.PT2",
    )
    assert 'all of the readings are refused, most because a value, such as "I/O fail", is' in finding.met


def test_a_station_without_an_outlet_is_told_in_one_line_and_no_empty_ones():
    gathering = Gathering()
    for n in range(5):
        gathering.add("WW.elm.PT1", (1_751_328_000 + 300 * n) * 1_000_000, 6.0)
    mapping = Mapping.model_validate({
        "time_zone": "UTC", "step_s": 300,
        "tags": [{"pattern": "WW.{station}.PT1", "role": "inlet", "unit": "bar"}],
    })  # fmt: skip
    told = StringIO()
    show(check_points("feed x", gathering.points(), mapping, 1_751_400_000.0), Console(file=told, width=150))
    assert [line for line in told.getvalue().splitlines() if "elm" in line] == [
        "  elm: no tag fits a pattern for its outlet; add one, or leave the station out"
    ]
    assert "station " not in told.getvalue().splitlines()[0]  # the heading of a table with no rows
