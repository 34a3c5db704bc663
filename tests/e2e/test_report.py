"""``steadyhead report`` as a person runs it."""

import json
import os
import re

import pytest

from .running import run_steadyhead

WEEK = "2025-W11"  # the second of two weeks that the log fills; the seat wears out from day 11 on


@pytest.fixture
def report(run_here, worn_folder, worn_profiles, tmp_path):
    def call(*more, out=tmp_path / "out"):
        return run_here(
            "report",
            "--registry",
            worn_folder / "stations.yaml",
            "--profiles",
            worn_profiles,
            "--out",
            out,
            *more,
        )

    return call


def test_it_writes_four_files_and_says_what_to_do_first(report, tmp_path):
    done = report("--week", WEEK)
    assert (done.code, done.err) == (0, "")
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "report.html", "report.pdf", "figures.csv", "report.json",
    }  # fmt: skip
    assert "worn_seat" in done.out
    assert (tmp_path / "out" / "report.pdf").read_bytes().startswith(b"%PDF-1.7")
    document = json.loads((tmp_path / "out" / "report.json").read_text())
    assert document["week"] == WEEK


def test_a_worn_seat_is_on_the_list_with_its_page(report, tmp_path):
    done = report("--week", WEEK)
    assert done.code == 0
    document = json.loads((tmp_path / "out" / "report.json").read_text())
    assert document["work"][0]["station"] == "worn_seat"
    assert "creep" in {alert["condition"] for alert in document["stations"][0]["alerts"]}
    assert document["pages"] == ["worn_seat"]
    # the same alerts as scan finds, by their ids
    assert all(re.fullmatch(r"[0-9a-f]{16}", a["alert_id"]) for a in document["stations"][0]["alerts"])


def test_without_a_week_the_last_whole_one_is_taken(report, tmp_path):
    assert report("--no-pdf").code == 0
    assert json.loads((tmp_path / "out" / "report.json").read_text())["week"] == WEEK


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--week", "2020-W01"), "no station has a reading in that week; readings go from"),
        (("--week", "2025-W60"), "is not a week: 2025 has no ISO week 60"),
        (("--week", "last"), '"last" is not a week'),
        (
            ("nowhere", "--week", "2025-W01"),
            'there is no station "nowhere" in the registry; known: worn_seat',
        ),
        (("--week", "2025-W01", "--date-language", "klingonese"), "is no language that is known"),
        (("--week", "2025-W01", "--data", "/nowhere/at/all"), "there is no such data folder"),
    ],
)
def test_bad_input_is_one_clear_line_code_2_and_nothing_written(report, tmp_path, more, said):
    done = report(*more)
    assert done.code == 2
    assert said in done.err
    assert done.err.startswith("steadyhead: ")
    assert list(tmp_path.iterdir()) == []


def test_missing_profiles_are_said_with_what_to_do(report, tmp_path):
    done = report("--week", WEEK, "--profiles", tmp_path / "none")
    assert done.code == 2
    assert "there is no profile of any of the stations asked for; run: steadyhead learn" in done.err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_written_is_code_2(report, tmp_path):
    (tmp_path / "file").write_text("x")
    done = report("--week", WEEK, out=tmp_path / "file" / "out")
    assert done.code == 2
    assert "cannot be written" in done.err


def test_a_week_that_is_not_over_is_marked(run_here, worn, worn_profiles, tmp_path):
    log = next(path for path in worn.rglob("*.csv"))
    lines = log.read_text().splitlines(keepends=True)
    log.write_text("".join(lines[:-600]))  # more than two days less
    done = run_here(
        "report", "--registry", worn / "stations.yaml", "--profiles", worn_profiles, "--week", WEEK,
        "--no-pdf", "--out", tmp_path / "out",
    )  # fmt: skip
    assert "not complete" in done.out
    assert "This week is not complete" in (tmp_path / "out" / "report.html").read_text()


def test_two_runs_give_the_same_bytes_in_other_processes(worn_folder, worn_profiles, tmp_path):
    """Apart from the time stamp, which SOURCE_DATE_EPOCH sets."""
    kept = []
    for name in ("a", "b"):
        done = run_steadyhead(
            "report", "--registry", worn_folder / "stations.yaml", "--profiles", worn_profiles,
            "--out", tmp_path / name, "--week", WEEK, SOURCE_DATE_EPOCH="1700000000",
            PYTHONHASHSEED=str(len(kept)),
        )  # fmt: skip
        assert done.code == 0, done.err
        kept.append({path.name: path.read_bytes() for path in sorted((tmp_path / name).iterdir())})
    assert kept[0] == kept[1]


def test_the_pdf_says_what_the_page_says_and_is_tagged(report, tmp_path):
    import subprocess

    report("--week", WEEK)
    pdf = tmp_path / "out" / "report.pdf"
    told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True, env=os.environ).stdout
    assert re.search(r"Tagged:\s+yes", told)
    words = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True).stdout
    words = " ".join(words.split())
    for heading in ("What to do this week", "What got worse", "All stations", "Alarm load", "Definitions"):
        assert heading in words
