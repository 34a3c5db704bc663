"""One station that cannot be read, learned or scanned is named; the others are done, and the code is 2."""

import copy
import json
from pathlib import Path

import pytest
import yaml

from steadyhead.alerts.jsonlines import from_json

from .test_bad_input import contents

BAD, GOOD = "worn_seat", "other_seat"


@pytest.fixture
def two(worn: Path) -> Path:
    """A utility of two stations with the same log, each in a file of its own; returns its registry."""
    (worn / f"{GOOD}.csv").write_bytes((worn / f"{BAD}.csv").read_bytes())
    registry = worn / "stations.yaml"
    described = yaml.safe_load(registry.read_text())
    bad = described["stations"][BAD]
    described["stations"][GOOD] = {**bad, "sources": [{"path": f"{GOOD}.csv"}]}
    registry.write_text(yaml.safe_dump(described, sort_keys=False))
    return registry


@pytest.fixture
def both_profiles(worn_profiles: Path, tmp_path: Path) -> Path:
    """What was learned of that log, for either station."""
    folder = tmp_path / "profiles"
    folder.mkdir()
    text = (worn_profiles / f"{BAD}.json").read_text()
    for name in (BAD, GOOD):
        (folder / f"{name}.json").write_text(text.replace(f'"station": "{BAD}"', f'"station": "{name}"'))
    return folder


def edit(registry: Path, change) -> None:
    described = yaml.safe_load(registry.read_text())
    described["stations"][BAD] = copy.deepcopy(described["stations"][BAD])  # YAML shares equal parts
    change(described["stations"][BAD])
    registry.write_text(yaml.safe_dump(described, sort_keys=False))


def missing_file(registry: Path) -> None:
    (registry.parent / f"{BAD}.csv").unlink()


def corrupt_parquet(registry: Path) -> None:
    (registry.parent / f"{BAD}.parquet").write_bytes(b"PAR1" + b"\0" * 400 + b"PAR1")
    edit(registry, lambda station: station.update(sources=[{"path": f"{BAD}.parquet"}]))


def absent_tag(registry: Path) -> None:
    edit(registry, lambda station: station["tags"]["outlet"].update(tag="PT7"))


SPOILED = [
    (missing_file, ["no file matches", "worn_seat.csv"]),
    (corrupt_parquet, ["worn_seat.parquet", "corrupt"]),
    (absent_tag, ["PT7", "mend stations.worn_seat.tags.outlet.tag"]),
]
IDS = [spoil.__name__ for spoil, _ in SPOILED]


@pytest.mark.parametrize(("spoil", "words"), SPOILED, ids=IDS)
def test_scan_does_the_others_and_says_which_was_left_out(
    run_here, two, both_profiles, tmp_path, spoil, words
):
    spoil(two)
    out = tmp_path / "out"
    arguments = ("scan", "--registry", two, "--profiles", both_profiles)
    result = run_here(*arguments, "--out", out)
    assert result.code == 2
    assert len(result.err.splitlines()) == 1, result.err
    assert result.err.startswith(f"steadyhead: {BAD}: ")
    report = (out / "report.txt").read_text()
    for text in (result.err, result.out, report):
        for word in words:
            assert "".join(word.split()) in "".join(text.split()), text  # however its lines were broken
    for text in (result.out, report):
        assert f"Left out: {BAD}; done: 1 station" in text
        assert f"Nothing to report: {BAD}" not in text
    alerts = [from_json(line) for line in (out / "alerts.jsonl").read_text().splitlines()]
    assert {alert.station for alert in alerts} == {GOOD}
    assert len(list((out / "plots").iterdir())) == len(alerts) > 0
    alone = run_here(*arguments, GOOD, "--out", tmp_path / "alone")
    assert alone.code == 1
    assert (tmp_path / "alone" / "alerts.jsonl").read_bytes() == (out / "alerts.jsonl").read_bytes()


@pytest.mark.parametrize(("spoil", "words"), SPOILED, ids=IDS)
def test_json_has_the_good_alerts_on_stdout_and_the_trouble_on_stderr(
    run_here, two, both_profiles, spoil, words
):
    spoil(two)
    before = contents(two.parent)
    result = run_here("scan", "--registry", two, "--profiles", both_profiles, "--json")
    assert result.code == 2
    assert {json.loads(line)["station"] for line in result.out.splitlines()} == {GOOD}
    assert len(result.err.splitlines()) == 1
    for word in words:
        assert word in result.err
    assert contents(two.parent) == before


@pytest.mark.parametrize(("spoil", "words"), SPOILED, ids=IDS)
def test_learn_learns_the_others_and_leaves_the_old_profile(
    run_here, two, both_profiles, tmp_path, spoil, words
):
    spoil(two)
    (both_profiles / f"{GOOD}.json").unlink()
    old = (both_profiles / f"{BAD}.json").read_bytes()
    result = run_here("learn", "--registry", two, "--profiles", both_profiles)
    assert result.code == 2
    assert len(result.err.splitlines()) == 1, result.err
    for word in words:
        assert word in result.err
    assert f"Left out: {BAD}; done: 1 station" in result.out
    assert (both_profiles / f"{GOOD}.json").exists()
    assert (both_profiles / f"{BAD}.json").read_bytes() == old


def test_a_station_that_cannot_be_learned_is_left_out_of_learn_and_of_scan(run_here, two, tmp_path):
    log = two.parent / f"{BAD}.csv"
    log.write_text("".join(log.read_text().splitlines(keepends=True)[:300]))  # a day
    for command in (["learn"], ["scan", "--learn", "--out", tmp_path / "out"]):
        profiles = tmp_path / command[0]
        result = run_here(*command, "--registry", two, "--profiles", profiles)
        assert result.code == 2
        assert result.err.startswith(f"steadyhead: {BAD}: ")
        assert "days of readings" in result.err
        assert "(the span is that under learn in the registry)" in result.err
        assert [path.name for path in profiles.iterdir()] == [f"{GOOD}.json"]
    assert GOOD in (tmp_path / "out" / "learned.txt").read_text()


def test_a_station_without_a_profile_is_left_out_of_scan(run_here, two, both_profiles, tmp_path):
    (both_profiles / f"{BAD}.json").unlink()
    result = run_here("scan", "--registry", two, "--profiles", both_profiles, "--out", tmp_path / "out")
    assert result.code == 2
    assert f"there is no profile of {BAD}; run: steadyhead learn {BAD}" in result.err
    assert GOOD in (tmp_path / "out" / "alerts.jsonl").read_text()


def test_a_span_outside_the_log_is_said_with_the_logs_own(run_here, two, both_profiles, tmp_path):
    result = run_here(
        "scan", "--registry", two, "--profiles", both_profiles, "--out", tmp_path / "out",
        "--from", "2030-01-01",
    )  # fmt: skip
    assert result.code == 2
    assert len(result.err.splitlines()) == 2  # both stations
    assert "no reading lies in the span asked for, the log goes from Mon 03 Mar 2025 01:00 to" in result.err
    assert not (tmp_path / "out").exists()


def test_if_all_are_bad_nothing_is_written(run_here, two, both_profiles, tmp_path):
    for name in (BAD, GOOD):
        (two.parent / f"{name}.csv").write_text("")
    before = contents(tmp_path)
    for command in (["scan", "--out", tmp_path / "out"], ["scan", "--json"], ["learn"]):
        result = run_here(*command, "--registry", two, "--profiles", both_profiles)
        assert result.code == 2
        assert [line.split(": ")[1] for line in result.err.splitlines()] == [BAD, GOOD]
    assert contents(tmp_path) == before
