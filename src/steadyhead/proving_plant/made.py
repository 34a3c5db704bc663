"""A simulated station as a folder of files: log, registry to read it with, and truth."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from steadyhead.files import write_atomically
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.log_files import Channel, Dialect, settled, utc_text, write_log
from steadyhead.proving_plant.sample_utility import truth_record
from steadyhead.proving_plant.scenario import Scenario
from steadyhead.proving_plant.simulate import simulate_with_twin
from steadyhead.proving_plant.truth import measure_truth
from steadyhead.units import UnitSystem

NEIGHBOUR_COLUMN = "neighbour_outlet"
_DECIMALS = {"kPa": 1, "psi": 2, "bar": 3, "m": 2, "L/s": 2, "gpm": 1, "m3/h": 2}


@dataclass(frozen=True, slots=True)
class Made:
    """What was written, the truth as in truth.json, and the truth as a sentence."""

    files: tuple[Path, ...]
    truth: dict[str, Any]
    sentence: str


def make_station(asked: Asked, folder: Path, units: UnitSystem) -> Made:
    """Simulate what was asked for and write ``<name>.csv``, ``stations.yaml`` and ``truth.json``.

    units : of the log, and of what people see
    Raises PlantError if it cannot be simulated, OutputError if a file cannot be written.
    """
    scenario = asked.scenario()
    run, twin = simulate_with_twin(scenario)
    truth = truth_record(scenario, measure_truth(run, twin, scenario))
    dialect = _dialect(scenario, units)
    written = write_log(settled(run.readings), dialect, folder, scenario.name)
    registry, record = folder / "stations.yaml", folder / "truth.json"
    write_atomically(registry, _registry(asked, scenario, dialect, units))
    stations = {scenario.name: truth}
    write_atomically(record, json.dumps({"utility": "proving plant", "stations": stations}, indent=1) + "\n")
    return Made((*written.files, registry, record), truth, _sentence(truth))


def _dialect(scenario: Scenario, units: UnitSystem) -> Dialect:
    tags: dict[Channel, str] = {"inlet": "inlet", "outlet": "outlet", "flow": "flow"}
    if scenario.design.district.neighbour is not None:
        tags["neighbour"] = NEIGHBOUR_COLUMN
    unit = {channel: units.flow if channel == "flow" else units.pressure for channel in tags}
    decimals = {channel: _DECIMALS[name] for channel, name in unit.items()}
    return Dialect(tags, unit, decimals, time_zone="UTC", time_form="%Y-%m-%dT%H:%M:%SZ")


def _registry(asked: Asked, scenario: Scenario, dialect: Dialect, units: UnitSystem) -> str:
    shared = {
        "time_zone": scenario.time_zone,
        "step_s": scenario.instruments.interval_s,
        "sources": [{"path": f"{scenario.name}.csv"}],
        "learn": {"to": utc_text(asked.learn_until_s())},
    }
    tags = {
        channel: {"tag": tag, "unit": dialect.units[channel]}
        for channel, tag in dialect.tags.items()
        if channel != "neighbour"
    }
    station: dict[str, Any] = {
        **shared,
        "tags": tags,
        "valve": {"size_mm": scenario.design.valve.size_mm, "rated_kv_m3h": scenario.design.valve.kv_m3h},
        "set_pressure": {"nominal_kpa": scenario.design.set_kpa},
    }
    stations = {scenario.name: station}
    if scenario.design.district.neighbour is not None:
        station["zone"] = "district"
        outlet = {"outlet": {"tag": NEIGHBOUR_COLUMN, "unit": units.pressure}}
        stations[f"{scenario.name}_neighbour"] = {"zone": "district", **shared, "tags": outlet}
    registry = {
        "utility": "proving plant",
        "log_root": ".",
        "settings": {"display_units": units.name},
        "stations": stations,
    }
    text: str = yaml.safe_dump(registry, sort_keys=False, allow_unicode=True)
    return text


def _sentence(truth: dict[str, Any]) -> str:
    name: str = truth["condition"].replace("_", " ")
    if truth["mild_at"] is None:
        return name
    text = f"{name}, {truth['severity']}, past its mild limit at {truth['mild_at']}"
    if truth["clear_at"] not in (None, truth["mild_at"]):
        text += f", past its clear limit at {truth['clear_at']}"
    if truth["ended_at"] is not None:
        text += f", over at {truth['ended_at']}"
    if truth["also"]:
        text += f"; also {', '.join(truth['also']).replace('_', ' ')}"
    return text
