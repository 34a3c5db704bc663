"""The demo: what scan says of the sample logs, compared with what the plant knows of them."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import yaml

from steadyhead.alerts.jsonlines import from_json
from steadyhead.types import VALVE_CONDITIONS

from .running import ROOT, Result, run_steadyhead, truth_of

SAMPLES = ROOT / "sample_logs"
TRUTH = truth_of(SAMPLES)
NAMED = {name: truth for name, truth in TRUTH.items() if truth["condition"] != "healthy"}
MOST_BYTES = 25_000_000
UNASKED = "unfamiliar"  # may come beside the right name: it says only that the station never looked so


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    out = tmp_path_factory.mktemp("demo")
    result = run_steadyhead("scan", "--learn", "--profiles", out / "profiles", "--out", out)
    return result, out


@pytest.fixture(scope="module")
def alerts(scanned):
    lines = (scanned[1] / "alerts.jsonl").read_text().splitlines()
    return [from_json(line) for line in lines]


def of_station(alerts, name):
    return sorted((a for a in alerts if a.station == name), key=lambda a: a.raised_at)


def when(text: str) -> datetime:
    return datetime.strptime(text, "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)


def test_scan_ends_with_1_because_alerts_go_on(scanned):
    assert (scanned[0].code, scanned[0].err) == (1, "")


def test_the_row_in_the_readme_is_what_the_demo_prints(scanned):
    page = (ROOT / "README.md").read_text().split("Here is one row of it:\n\n", 1)[1]
    block = page.split("\n\n", 1)[0].split()
    row = block[block.index("cannery_road") :]
    assert len(row) > 40
    assert " ".join(row) in " ".join((scanned[1] / "report.txt").read_text().split())


@pytest.mark.parametrize("name", NAMED)
def test_what_a_station_has_is_named(alerts, name):
    truth = TRUTH[name]
    right = [a for a in of_station(alerts, name) if a.condition == truth["condition"]]
    assert right, [a.condition for a in of_station(alerts, name)]
    assert when(truth["caused_at"]) <= right[0].raised_at
    assert right[0].raised_at <= when(truth["clear_at"]) + timedelta(days=1)


@pytest.mark.parametrize("name", TRUTH)
def test_nothing_else_is_said_of_a_station(alerts, name):
    right = {TRUTH[name]["condition"], *TRUTH[name]["also"], UNASKED}
    assert {a.condition for a in of_station(alerts, name)} - right == set()


@pytest.mark.parametrize("name", TRUTH)
def test_no_station_is_said_to_have_anything_before_it_has(alerts, name):
    cause = TRUTH[name]["caused_at"]
    begins = when(cause) if cause is not None else datetime.max.replace(tzinfo=UTC)
    assert [(a.condition, a.raised_at) for a in of_station(alerts, name) if a.raised_at < begins] == []


def test_the_samples_hold_the_four_conditions_look_alikes_and_sound_stations():
    conditions = [truth["condition"] for truth in TRUTH.values()]
    for condition in (*VALVE_CONDITIONS, "set_changed", "inlet_starved", "held_shut", "excess_demand"):
        assert condition in conditions
    assert "sensor_fault" in conditions
    assert conditions.count("healthy") >= 3
    assert 8 <= len(conditions) <= 12


def test_every_alert_has_its_plot_its_evidence_and_field_checks_in_order(scanned, alerts):
    assert alerts
    for alert in alerts:
        plot = scanned[1] / "plots" / f"{alert.station}-{alert.condition}-{alert.alert_id}.png"
        assert plot.stat().st_size > 10_000
        assert alert.evidence
        assert [check.order for check in alert.field_checks] == list(range(1, len(alert.field_checks) + 1))
        assert alert.field_checks[0].effort == "free"


def test_every_station_has_a_profile_and_learning_says_what_is_withheld(scanned):
    for name in TRUTH:
        assert json.loads((scanned[1] / "profiles" / f"{name}.json").read_text())["station"] == name
    said = " ".join(scanned[0].out.split())
    assert "chapel_green: holds" in said
    assert "from 3.88 days; not judged: creep" in said  # tannery_lane's short span
    words = " ".join((scanned[1] / "learned.txt").read_text().split())
    assert "the station has no flow meter" in words  # chapel_green


def test_blemishes_of_the_files_are_refused_and_counted(scanned):
    """By hand: each blemish of truth.json leads to this reason, so many values for each."""
    for name, truth in TRUTH.items():
        blemishes = truth["blemishes"]
        marks = sum(blemishes.get(mark, 0) for mark in ("-999", "9999", "I/O Timeout"))
        assert reasons(scanned[1], name).get("sentinel", 0) == marks, name
        assert reasons(scanned[1], name).get("not_a_number", 0) == blemishes.get("Bad", 0), name
        assert reasons(scanned[1], name).get("bad_quality", 0) == blemishes.get("bad_quality", 0), name
        assert (reasons(scanned[1], name).get("duplicate", 0) > 0) == ("duplicates" in blemishes), name


def test_no_reading_is_lost_to_the_change_of_clocks(scanned):
    for name in TRUTH:
        assert not {"ambiguous_time", "missing_hour", "bad_time"} & set(reasons(scanned[1], name)), name


def reasons(out: Path, name: str) -> dict[str, int]:
    path = out / "rejects" / f"{name}.csv"
    if not path.exists():
        return {}
    counts: dict[str, int] = {}
    for line in path.read_text().splitlines()[1:]:
        reason = line.rsplit(",", 1)[1]
        counts[reason] = counts.get(reason, 0) + 1
    return counts


def test_the_registry_describes_these_stations_and_no_others():
    registry = yaml.safe_load((ROOT / "config" / "stations.yaml").read_text())
    assert list(registry["stations"]) == list(TRUTH)


def test_the_table_of_the_samples_names_every_station_file_and_content():
    page = (SAMPLES / "README.md").read_text()
    for name, truth in TRUTH.items():
        row = next(line for line in page.splitlines() if line.startswith(f"| `{name}` |"))
        assert truth["what"] in row
        assert truth["time_zone"] in row
        for path in truth["files"]:
            assert (SAMPLES / path).is_file()
    files = {path.relative_to(SAMPLES).as_posix() for path in SAMPLES.rglob("*") if path.is_file()}
    assert files == {"README.md", "truth.json", *(f for t in TRUTH.values() for f in t["files"])}


def test_the_samples_are_small_enough_to_ship():
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) <= MOST_BYTES
