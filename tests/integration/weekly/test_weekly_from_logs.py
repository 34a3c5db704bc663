"""The report from log files: alerts are those of a scan, and what cannot be read is left out and named."""

import io
import json
import os
import subprocess
import sys

import numpy as np
import pytest
from pypdf import PdfReader

from steadyhead import service
from steadyhead.alerts.model import alert_id
from steadyhead.cli import main
from steadyhead.config.load import load_registry
from steadyhead.feeds.load import load_readings
from steadyhead.profile.learn import learn
from steadyhead.store.profiles import save_profile

STEP, START_S, DAYS = 300, 1_746_403_200, 35  # Monday 2025-05-05; the last week is 2025-W23
REGISTRY = """
log_root: logs
settings: {display_units: m_lps}
defaults:
  time_zone: UTC
  step_s: 300
  tags: {outlet: {tag: outlet, unit: kPa}, inlet: {tag: inlet, unit: kPa}, flow: {tag: flow, unit: L/s}}
  sources: [{path: "{station}.csv", time_column: time, time_format: epoch_s}]
stations: {elm: {zone: north}, oak: {zone: north}, fir: {}}
"""


@pytest.fixture(scope="module")
def utility(tmp_path_factory):
    """Two stations of a zone, one of which steps up in the last week; the third has no log."""
    folder = tmp_path_factory.mktemp("utility")
    (folder / "logs").mkdir()
    (folder / "stations.yaml").write_text(REGISTRY)
    n = DAYS * 86400 // STEP
    time_s = START_S + STEP * np.arange(n)
    for seed, name in enumerate(("elm", "oak")):
        rng = np.random.default_rng(seed)
        flow = 6.0 - 4.0 * np.cos((time_s - START_S) / 86400 * 2 * np.pi) + rng.normal(0, 0.2, n)
        outlet = 400.0 + rng.normal(0, 1.0, n)
        if name == "oak":
            outlet[-1000:] -= 60.0
        rows = np.column_stack([time_s, outlet, 700.0 + rng.normal(0, 3.0, n), flow])
        np.savetxt(
            folder / "logs" / f"{name}.csv", rows, fmt=["%d", "%.2f", "%.2f", "%.3f"], delimiter=",",
            header="time,outlet,inlet,flow", comments="",
        )  # fmt: skip
    registry = load_registry(folder / "stations.yaml")
    for name, readings in load_readings(registry, stations=["elm", "oak"])[0].items():
        span = readings.between(START_S, START_S + 21 * 86400)
        save_profile(
            folder / "profiles", learn(span, service.known(registry.stations[name], registry.settings))
        )
    return folder


def run(utility, out, *more) -> int:
    with pytest.raises(SystemExit) as ended:
        main(
            ["report", *more, "--registry", str(utility / "stations.yaml"), "--profiles",
             str(utility / "profiles"), "--week", "2025-W23", "--no-pdf", "--out", str(out)]
        )  # fmt: skip
    return int(ended.value.code or 0)


def test_alerts_are_those_of_a_scan_by_their_ids(utility, tmp_path, capsys):
    assert run(utility, tmp_path, "elm", "oak") == 0, capsys.readouterr().err
    document = json.loads((tmp_path / "report.json").read_text())
    registry = load_registry(utility / "stations.yaml")
    from steadyhead.store.profiles import load_profile

    readings = load_readings(registry, stations=["elm", "oak"])[0]
    for row in document["stations"]:
        name = row["station"]
        found = service.scan_station(readings[name], load_profile(utility / "profiles", name, STEP))
        wanted = {alert_id(v.station, v.condition, v.raised_s) for v in found}
        assert {alert["alert_id"] for alert in row["alerts"]} == wanted
    assert document["stations"][1]["alerts"] != []
    assert document["work"][0]["station"] == "oak"
    units = {figure["unit"] for figure in document["figures"]}
    assert {"m", "L/s"} <= units


def test_a_station_whose_log_is_missing_is_left_out_and_the_others_are_reported(utility, tmp_path, capsys):
    assert run(utility, tmp_path) == 2
    told = capsys.readouterr().err
    assert told.startswith("steadyhead: fir: no file matches")
    document = json.loads((tmp_path / "report.json").read_text())
    assert list(document["left_out"]) == ["fir"]
    assert [row["station"] for row in document["stations"]] == ["elm", "oak"]
    assert "Left out:" in (tmp_path / "report.html").read_text()


def test_a_profile_that_does_not_fit_leaves_its_station_out(utility, tmp_path, capsys):
    import shutil

    spoiled = tmp_path / "utility"
    shutil.copytree(utility, spoiled)
    (spoiled / "profiles" / "oak.json").write_text("{}")
    assert run(spoiled, tmp_path / "out", "elm", "oak") == 2
    assert "oak.json" in capsys.readouterr().err
    document = json.loads((tmp_path / "out" / "report.json").read_text())
    assert list(document["left_out"]) == ["oak"]
    assert document["stations"][1]["why_not"] == "nothing was learned of this station yet"


def made_apart(utility, folder, *, seed: str, at_s: int) -> dict[str, bytes]:
    """The files of a report that another process made, with another order of its sets and another time."""
    command = [
        sys.executable, "-m", "steadyhead", "report", "elm", "oak",
        "--registry", str(utility / "stations.yaml"), "--profiles", str(utility / "profiles"),
        "--week", "2025-W23", "--out", str(folder),
    ]  # fmt: skip
    env = {**os.environ, "PYTHONHASHSEED": seed, "SOURCE_DATE_EPOCH": str(at_s)}
    done = subprocess.run(command, env=env, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_runs_at_different_times_differ_in_the_time_stamp_alone(utility, tmp_path):
    one = made_apart(utility, tmp_path / "one", seed="1", at_s=1_750_000_000)
    two = made_apart(utility, tmp_path / "two", seed="2", at_s=1_750_086_461)
    assert one["figures.csv"] == two["figures.csv"]
    stamps = {
        "report.json": (b"2025-06-15T15:06:40Z", b"2025-06-16T15:07:41Z"),
        "report.html": (b"15 Jun 2025, 15:06:40 UTC", b"16 Jun 2025, 15:07:41 UTC"),
    }
    for name, (first, second) in stamps.items():
        assert one[name].count(first) == 1
        assert one[name].replace(first, second) == two[name]
    pages = [PdfReader(io.BytesIO(made["report.pdf"])).pages for made in (one, two)]
    drawn = [[page.get_contents().get_data() for page in found] for found in pages]
    assert len(drawn[0]) == len(drawn[1]) > 4
    assert [n for n, (a, b) in enumerate(zip(*drawn, strict=True)) if a != b] == [0]
    texts = [found[0].extract_text() for found in pages]
    assert texts[0].replace("15 Jun 2025, 15:06:40", "16 Jun 2025, 15:07:41") == texts[1]
