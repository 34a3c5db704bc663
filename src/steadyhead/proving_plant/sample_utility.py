"""Makes the sample logs: simulates the stations, writes files, truth and the table of what is where."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from steadyhead.files import write_atomically
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.log_files import Written, settled, utc_text, write_log
from steadyhead.proving_plant.sample_span import SampleStation
from steadyhead.proving_plant.sample_stations import sample_stations
from steadyhead.proving_plant.scenario import Scenario
from steadyhead.proving_plant.simulate import simulate_with_twin
from steadyhead.proving_plant.truth import Truth, measure_truth

UTILITY = "Lanternmoor Water (invented)"


def make_samples(folder: Path) -> dict[str, Any]:
    """Write all sample logs, ``truth.json`` and ``README.md`` into a folder; returns the truth.

    The same code gives the same bytes. Raises OutputError if a file cannot be written.
    """
    stations: dict[str, Any] = {}
    for sample in sample_stations():
        run, twin = simulate_with_twin(sample.scenario)
        written = write_log(
            settled(run.readings),
            sample.dialect,
            folder / sample.name,
            sample.name,
            sample.blemishes,
            sample.scenario.seed,
        )
        truth = measure_truth(run, twin, sample.scenario)
        stations[sample.name] = truth_record(sample.scenario, truth) | _file_record(sample, written, folder)
    record = {"utility": UTILITY, "stations": stations}
    write_atomically(folder / "truth.json", json.dumps(record, indent=1, ensure_ascii=False) + "\n")
    write_atomically(folder / "README.md", _readme(record))
    return record


def truth_record(scenario: Scenario, truth: Truth) -> dict[str, Any]:
    """What a run really was, as plain JSON values: times in UTC, sizes as shares.

    ``condition`` is what the station should be reported to have; ``causes`` what was done to it.
    """
    return {
        "condition": truth.condition,
        "severity": truth.severity,
        "caused_at": utc_text(scenario.first_change_s) if scenario.faults or scenario.events else None,
        "mild_at": None if truth.mild_at_s is None else utc_text(truth.mild_at_s),
        "clear_at": None if truth.clear_at_s is None else utc_text(truth.clear_at_s),
        "ended_at": None if truth.ended_s is None else utc_text(truth.ended_s),
        "size_share": round(truth.size, 4),
        "period_s": None if truth.period_s is None else round(truth.period_s, 1),
        "also": list(truth.also),
        "telemetry_alone_cannot_tell": truth.ambiguous,
        "causes": [*map(_cause, scenario.faults), *map(_cause, scenario.events)],
        "time_zone": scenario.time_zone,
        "interval_s": scenario.instruments.interval_s,
        "from": utc_text(scenario.start_s),
        "to": utc_text(scenario.end_s),
        "seed": scenario.seed,
    }


def _cause(part: Fault | Event) -> dict[str, Any]:
    begins = utc_text(part.begins_s)
    if isinstance(part, Fault):
        return {"fault": part.kind, "begins_at": begins, "severity": part.severity, "ramp_s": part.ramp_s}
    ends = utc_text(part.ends_s) if part.ends_s != float("inf") else None
    return {"event": part.kind, "begins_at": begins, "ends_at": ends, "size": round(part.size, 4)}


def _file_record(sample: SampleStation, written: Written, folder: Path) -> dict[str, Any]:
    return {
        "files": [path.relative_to(folder).as_posix() for path in written.files],
        "rows": written.rows,
        "blemishes": written.blemishes,
        "units": sorted(set(sample.dialect.units.values())),
        "written_as": sample.written_as,
        "what": sample.what,
    }


def _readme(record: dict[str, Any]) -> str:
    head = f"""# Sample logs

Logs of {UTILITY}. No such utility, station or reading exists: all of it was made by the
proving plant of this project, a physical simulator, and `make samples` makes the same bytes again
(this page and `truth.json` included). The registry for these logs is `config/stations.yaml`.

Each station has 24 sound days to learn from and 11 more in which something may happen; the
one-second excerpt has 4 and 3. The clocks change in all four places within the span.

| station | files | interval | units | clock | written as | what is in it | from when (UTC) |
|---|---|---|---|---|---|---|---|
"""
    rows = [_row(name, station) for name, station in record["stations"].items()]
    return head + "\n".join(rows) + "\n" + _TAIL


def _row(name: str, station: dict[str, Any]) -> str:
    files = station["files"]
    place = f"`{files[0]}`" if len(files) == 1 else f"`{name}/*{Path(files[0]).suffix}`, {len(files)} files"
    cells = [
        f"`{name}`",
        place,
        _interval(station["interval_s"]),
        ", ".join(station["units"]),
        station["time_zone"],
        station["written_as"],
        station["what"],
        _from_when(station),
    ]
    return "| " + " | ".join(cells) + " |"


def _interval(seconds: int) -> str:
    return f"{seconds // 60} min" if seconds >= 60 else f"{seconds} s"


def _from_when(station: dict[str, Any]) -> str:
    if station["caused_at"] is None:
        return "-"
    begun: str = station["caused_at"][:16].replace("T", " ")
    if station["mild_at"] is None or station["condition"] == "healthy":
        return begun
    return f"begins {begun}, past its mild limit {station['mild_at'][:16].replace('T', ' ')}"


_TAIL = """
`truth.json` holds the same for machines: per station the condition it should be reported to have,
when its cause began, when the effect passed the limits for mild and for clear, how large it grew,
the causes themselves, and how many blemishes each file holds (marks for a missing value, words,
bad quality, duplicates, late rows). Rows that are simply not there are short losses of telemetry, as
every network has them.
"""


def main() -> None:
    """``python -m steadyhead.proving_plant.sample_utility FOLDER``."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "sample_logs")
    record = make_samples(folder)
    for name, station in record["stations"].items():
        sys.stdout.write(f"{name}: {station['condition']}, {len(station['files'])} files\n")


if __name__ == "__main__":
    main()
