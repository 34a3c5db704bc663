"""The commands on a small utility of the plant's: what they print, write and answer."""

import json
import re

import jsonschema
import pytest
import yaml

from steadyhead.alerts.jsonlines import from_json, schema
from steadyhead.profile.model import from_json as profile_from_json
from steadyhead.proving_plant import EVENTS, FAULTS

from .running import ROOT, truth_of


def test_version_is_the_package_version(run):
    result = run("--version")
    assert (result.code, result.err) == (0, "")
    assert re.fullmatch(r"steadyhead \d+\.\d+\.\d+\n", result.out)


@pytest.mark.parametrize("command", [[], ["learn"], ["scan"], ["plant"]])
def test_help_fits_the_terminal_and_says_what_the_command_is_for(run, command):
    result = run(*command, "--help")
    assert result.code == 0
    assert max(map(len, result.out.splitlines())) <= 80
    assert "Usage: steadyhead" in result.out
    assert len(result.out.split()) > 60  # more than a list of options


def test_plant_lists_every_fault_and_event_with_its_meaning(run):
    result = run("plant", "--list")
    assert result.code == 0
    words = " ".join(result.out.split())
    for name, kind in {**FAULTS, **EVENTS}.items():
        assert name in words
        assert kind.meaning.split()[0] in words


def test_plant_writes_log_registry_and_truth(worn_folder):
    assert {path.name for path in worn_folder.iterdir()} == {"worn_seat.csv", "stations.yaml", "truth.json"}
    truth = truth_of(worn_folder)["worn_seat"]
    assert truth["condition"] == "creep"
    assert truth["caused_at"] == "2025-03-14T00:00:00Z"  # day 11 from 3 March
    assert truth["causes"][0]["fault"] == "seat_worn"


def test_learn_says_what_it_learned_and_what_it_withholds(run, worn_folder, tmp_path):
    result = run("learn", "--registry", worn_folder / "stations.yaml", "--profiles", tmp_path)
    assert (result.code, result.err) == (0, "")
    for word in (
        "Set pressure", "Droop", "Scatter", "Lock-up", "Cv", "Flow", "Alerts begin at", "psi", "gpm",
        "Not judged, and why:", "slow response",
    ):  # fmt: skip
        assert word in result.out, word
    profile = profile_from_json((tmp_path / "worn_seat.json").read_text(), "worn_seat.json")
    assert profile.version in result.out
    assert profile.lock_up.closed_nights >= 5


def test_learning_again_keeps_the_old_profile_and_shows_what_differs(run, worn_folder, tmp_path):
    registry = worn_folder / "stations.yaml"
    first = run("learn", "--registry", registry, "--profiles", tmp_path, "--to", "2025-03-09")
    assert first.code == 0, first.err
    old = profile_from_json((tmp_path / "worn_seat.json").read_text(), "")
    second = run("learn", "--registry", registry, "--profiles", tmp_path)
    assert "which is kept; what differs" in " ".join(second.out.split())
    assert "was: " in second.out
    assert "now: " in second.out
    kept = tmp_path / "replaced" / f"worn_seat-{old.version}.json"
    assert profile_from_json(kept.read_text(), "") == old
    third = run("learn", "--registry", registry, "--profiles", tmp_path)
    assert "what differs" not in third.out  # the same span teaches the same


def test_scan_names_the_fault_and_writes_what_it_says(run, worn_folder, worn_profiles, tmp_path):
    result = run(
        "scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--out", tmp_path
    )
    assert result.code == 1  # an alert of medium priority goes on
    assert result.err == ""
    assert "Creeps when closed" in result.out
    assert "Check first:" in result.out
    assert "What to check, in this order" in result.out
    lines = (tmp_path / "alerts.jsonl").read_text().splitlines()
    assert [json.loads(line)["condition"] for line in lines] == ["creep"]
    plots = list((tmp_path / "plots").iterdir())
    assert [plot.name for plot in plots] == [f"worn_seat-creep-{json.loads(lines[0])['alert_id']}.png"]
    assert plots[0].read_bytes().startswith(b"\x89PNG")
    report = (tmp_path / "report.txt").read_text()
    assert "Before you touch anything" in report
    assert max(map(len, report.splitlines())) <= 100


def test_an_alert_is_raised_after_its_cause_and_no_later_than_the_night_it_shows(
    run, worn_folder, worn_profiles
):
    result = run("scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--json")
    alert = from_json(result.out.splitlines()[0])
    truth = truth_of(worn_folder)["worn_seat"]
    raised = alert.raised_at.strftime("%Y-%m-%dT%H:%M:%SZ")
    assert truth["caused_at"] < raised
    assert raised[:10] <= truth["mild_at"][:10]


def test_json_is_nothing_but_alerts_that_keep_to_the_schema(run, worn_folder, worn_profiles, tmp_path):
    before = sorted(worn_folder.rglob("*"))
    result = run("scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--json")
    assert result.code == 1
    lines = result.out.splitlines()
    assert lines
    checker = jsonschema.Draft202012Validator(schema())
    for line in lines:
        checker.validate(json.loads(line))
    assert sorted(worn_folder.rglob("*")) == before


def test_exit_code_is_0_while_nothing_is_wrong(run, worn_folder, worn_profiles, tmp_path):
    result = run(
        "scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--out", tmp_path,
        "--to", "2025-03-14",
    )  # fmt: skip
    assert (result.code, result.err) == (0, "")
    assert "Nothing to report: worn_seat." in result.out
    assert (tmp_path / "alerts.jsonl").read_text() == ""


def test_plots_of_an_earlier_scan_go_and_other_files_stay(run, worn_folder, worn_profiles, tmp_path):
    plots = tmp_path / "plots"
    plots.mkdir()
    (plots / "worn_seat-drift-0123456789abcdef.png").write_bytes(b"old")
    (plots / "holiday.png").write_bytes(b"mine")
    run("scan", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles, "--out", tmp_path)
    names = {path.name for path in plots.iterdir()}
    assert "worn_seat-drift-0123456789abcdef.png" not in names
    assert "holiday.png" in names


def test_a_utility_may_bring_its_own_causes(run, worn_folder, worn_profiles, tmp_path):
    own = tmp_path / "causes.yaml"
    own.write_text("version: 1\nconditions:\n  creep:\n    priority: low\n")
    result = run(
        "scan",
        "--registry",
        worn_folder / "stations.yaml",
        "--profiles",
        worn_profiles,
        "--json",
        "--causes",
        own,
    )
    assert result.code == 0, result.err  # creep goes on, but here its priority is low
    assert json.loads(result.out.splitlines()[0])["priority"] == "low"


def test_refused_values_are_counted_shown_and_kept(run, worn, worn_profiles, tmp_path):
    log = worn / "worn_seat.csv"
    lines = log.read_text().splitlines()
    for row in (100, 200, 300):
        time, inlet, _, flow = lines[row].split(",")
        lines[row] = f"{time},{inlet},Bad,{flow}"
    log.write_text("\n".join(lines) + "\n")
    out = tmp_path / "scan"
    result = run("scan", "--registry", worn / "stations.yaml", "--profiles", worn_profiles, "--out", out)
    words = " ".join(result.out.split())
    for word in ("3 of ", 'such as "Bad"', "bad_values"):  # how many, what, and what to do
        assert word in words
    kept = (out / "rejects" / "worn_seat.csv").read_text().splitlines()
    assert kept[0] == "file,row,column,text,reason"
    assert [line.split(",")[1] for line in kept[1:]] == ["101", "201", "301"]  # rows of the file, from 1
    assert "rejects/worn_seat.csv" in words.replace(" ", "")


def test_scan_may_learn_first_when_told_to(run, worn, tmp_path):
    arguments = (
        "scan",
        "--registry",
        worn / "stations.yaml",
        "--profiles",
        tmp_path / "p",
        "--out",
        tmp_path / "o",
    )
    untaught = run(*arguments)
    assert untaught.code == 2
    assert "run: steadyhead learn worn_seat" in untaught.err
    assert run(*arguments, "--learn").code == 1
    assert (tmp_path / "p" / "worn_seat.json").exists()


def test_the_neighbour_of_a_district_with_two_feeds_comes_with_it(run, tmp_path):
    made = run(
        "plant", tmp_path, "--days", 8, "--every", 900, "--district", "two-feeds",
        "--event", "neighbour_raised=9@6",
    )  # fmt: skip
    assert made.code == 0, made.err
    assert truth_of(tmp_path)["proving_station"]["condition"] == "held_shut"
    learned = run("learn", "--registry", tmp_path / "stations.yaml", "--profiles", tmp_path / "profiles")
    assert learned.code == 0, learned.err
    assert (tmp_path / "profiles" / "proving_station_neighbour.json").exists()


def test_the_same_seed_makes_the_same_log(run, worn_folder, tmp_path):
    run(
        "plant", tmp_path, "--name", "worn_seat", "--days", 14, "--every", 300, "--district", "closed-nights",
        "--fault", "seat_worn=0.6@11+0.5", "--units", "psi_gpm",
    )  # fmt: skip
    assert (tmp_path / "worn_seat.csv").read_bytes() == (worn_folder / "worn_seat.csv").read_bytes()


def test_the_compose_file_is_yaml_and_mounts_registry_and_logs_read_only():
    compose = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    service = compose["services"]["scan"]
    assert any("config" in volume and volume.endswith(":ro") for volume in service["volumes"])
    assert any("logs" in volume and volume.endswith(":ro") for volume in service["volumes"])
