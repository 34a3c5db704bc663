"""The sample logs are what the plant makes: the same code gives the same bytes."""

from __future__ import annotations

from pathlib import Path

from steadyhead.proving_plant.log_files import settled, write_log
from steadyhead.proving_plant.sample_stations import sample_stations
from steadyhead.proving_plant.simulate import simulate_with_twin

SAMPLES = Path(__file__).parents[3] / "sample_logs"


def test_one_station_comes_out_byte_for_byte_as_it_was_shipped(tmp_path):
    # guard: our own output, kept so that splitting or renaming code does not change the data
    sample = next(s for s in sample_stations() if s.name == "chapel_green")
    run, _ = simulate_with_twin(sample.scenario)
    written = write_log(
        settled(run.readings), sample.dialect, tmp_path, sample.name, sample.blemishes, sample.scenario.seed
    )
    assert [path.name for path in written.files] == ["chapel_green.csv"]
    shipped = SAMPLES / "chapel_green" / "chapel_green.csv"
    assert written.files[0].read_bytes() == shipped.read_bytes()


def test_the_stations_of_the_table_are_those_of_the_folders():
    names = [s.name for s in sample_stations()]
    assert len(set(names)) == len(names)
    assert sorted(names) == sorted(path.name for path in SAMPLES.iterdir() if path.is_dir())
