"""``steadyhead feed``: from a database of a plant run, or its log folder, to a check and a registry."""

import json
import subprocess
import sys
import time
from datetime import UTC, datetime

import pytest
import yaml
from sqlalchemy import create_engine, text

from steadyhead.config import load_registry
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.made import make_station
from steadyhead.proving_plant.simulate import simulate
from steadyhead.units import UNIT_SYSTEMS, from_working

ROLES = {"PT1": ("inlet_kpa", "bar"), "PT2": ("outlet_kpa", "bar"), "FT1": ("flow_lps", "m3/h")}
MAPPING = """time_zone: Europe/Oslo
step_s: 300
tags:
  - {pattern: "WW.{station}.PT2", role: outlet, unit: bar}
stations:
  ELM_ST: {set_pressure: {nominal_kpa: 4 bar}, valve: {size_mm: 100, rated_kv_m3h: 120}}
"""
FULL = """  - {pattern: "WW.{station}.PT1", role: inlet, unit: bar}
  - {pattern: "WW.{station}.FT1", role: flow, unit: UNIT}
"""


def steadyhead(*words, cwd):
    found = subprocess.run(
        [sys.executable, "-m", "steadyhead", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=120,
    )
    assert "Traceback" not in found.stderr
    return found


def everything(folder):
    return {path: path.stat().st_mtime_ns for path in sorted(folder.rglob("*")) if path.is_file()}


@pytest.fixture(scope="module")
def plant_run():
    start_s = int(time.time()) // 86400 * 86400 - 6 * 86400
    asked = Asked(name="elm", days=6, interval_s=300, start_s=start_s, time_zone="Europe/Oslo")
    readings = simulate(asked.scenario()).readings
    return readings.between(readings.start_s + 3600, readings.end_s)


@pytest.fixture
def historian(tmp_path, plant_run):
    """A SQLite historian of one station, and settings and mapping beside it."""
    engine = create_engine(f"sqlite:///{tmp_path / 'plant.db'}")
    with engine.begin() as connection:
        connection.execute(text("CREATE TABLE history (t text, tag text, v real, q integer)"))
        for end, (channel, unit) in ROLES.items():
            values = from_working(getattr(plant_run, channel), unit)
            connection.execute(
                text("INSERT INTO history VALUES (:t, :tag, :v, 192)"),
                [
                    {
                        "t": datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M:%S"),
                        "tag": f"WW.ELM_ST.{end}",
                        "v": round(v, 3),
                    }
                    for at, v in zip(plant_run.times_s.tolist(), values.tolist(), strict=True)
                    if v == v
                ],
            )  # fmt: skip
    engine.dispose()
    (tmp_path / "mapping.yaml").write_text(MAPPING)
    (tmp_path / "service.yaml").write_text(
        "feeds:\n  plant:\n    kind: sql\n    mapping: mapping.yaml\n    time_format: iso\n"
        f"    url: sqlite:///{tmp_path}/plant.db\n"
        '    query: "SELECT t, tag, v, q FROM history WHERE t >= :from AND t < :to ORDER BY t"\n'
    )
    return tmp_path


def test_from_one_pattern_to_a_registry(historian):
    before = everything(historian)
    check = ("feed", "check", "--feed", "plant", "--settings", "service.yaml", "--for", 6 * 86400, "--json")
    report = json.loads(steadyhead(*check, cwd=historian).stdout)
    assert sorted(tag["tag"] for tag in report["loose"]) == ["WW.ELM_ST.FT1", "WW.ELM_ST.PT1"]
    assert 'pattern: "WW.{station}.PT1", role: inlet' in report["proposed"]
    assert 'pattern: "WW.{station}.FT1", role: flow' in report["proposed"]
    assert everything(historian) == before  # a dry run writes nothing

    (historian / "mapping.yaml").write_text(
        MAPPING.replace("stations:", FULL.replace("UNIT", "m3/h") + "stations:")
    )
    found = steadyhead(*check, cwd=historian)
    report = json.loads(found.stdout)
    assert (found.returncode, report["loose"]) == (0, [])
    (station,) = report["stations"]
    assert station["findings"] == []
    assert {tag["role"]: tag["tag"] for tag in station["tags"]} == {
        "inlet": "WW.ELM_ST.PT1", "outlet": "WW.ELM_ST.PT2", "flow": "WW.ELM_ST.FT1"
    }  # fmt: skip
    made = steadyhead("feed", "stations", "plant", "--settings", "service.yaml", cwd=historian)
    (historian / "stations.yaml").write_text(made.stdout)
    registry = load_registry(historian / "stations.yaml")
    assert registry.stations["ELM_ST"].tags["flow"].unit == "m3/h"
    assert registry.stations["ELM_ST"].set_pressure.nominal_kpa == 400


def test_a_wrong_unit_in_the_mapping_is_found_before_going_live(historian):
    wrong = MAPPING.replace("unit: bar}", "unit: psi}").replace(
        "stations:", FULL.replace("UNIT", "ML/d") + "stations:"
    )
    (historian / "mapping.yaml").write_text(wrong)
    found = steadyhead("feed", "check", "--feed", "plant", "--settings", "service.yaml", cwd=historian)
    assert found.returncode == 1
    assert "ELM_ST, outlet (WW.ELM_ST.PT2): its middle is" in found.stdout
    assert "ELM_ST, flow (WW.ELM_ST.FT1): its peaks of" in found.stdout
    assert "Nothing was written." in found.stdout


def test_an_unknown_feed_and_an_empty_sample_are_said(historian):
    found = steadyhead("feed", "check", "--feed", "plnt", "--settings", "service.yaml", cwd=historian)
    assert (found.returncode, found.stdout) == (2, "")
    assert 'there is no feed "plnt" under feeds:' in found.stderr
    assert "did you mean plant?" in found.stderr
    with create_engine(f"sqlite:///{historian / 'plant.db'}").begin() as connection:
        connection.execute(text("DELETE FROM history"))
    found = steadyhead("feed", "check", "--feed", "plant", "--settings", "service.yaml", cwd=historian)
    assert found.returncode == 2
    assert "gave nothing in the time asked for" in found.stderr


def test_a_log_folder_is_checked_and_left_as_it_is(tmp_path):
    asked = Asked(name="elm", days=8, interval_s=300, start_s=1_743_984_000, time_zone="UTC")
    make_station(asked, tmp_path, UNIT_SYSTEMS["psi_gpm"])
    before = everything(tmp_path)
    sound = steadyhead("feed", "check", "--registry", "stations.yaml", cwd=tmp_path)
    assert sound.returncode == 0
    assert "Nothing looks wrong" in sound.stdout
    registry = yaml.safe_load((tmp_path / "stations.yaml").read_text())
    registry["stations"]["elm"]["tags"]["outlet"]["unit"] = "kPa"
    other = tmp_path / "other.yaml"
    other.write_text(yaml.safe_dump(registry))
    wrong = steadyhead("feed", "check", "elm", "--registry", "other.yaml", "--json", cwd=tmp_path)
    assert wrong.returncode == 1
    (finding,) = json.loads(wrong.stdout)["stations"][0]["findings"]
    assert (finding["kind"], finding["role"]) == ("unit", "outlet")
    assert "psi" in finding["do"]
    other.unlink()
    assert everything(tmp_path) == before
