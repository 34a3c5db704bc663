"""A process that reads an archive while another one writes to it and merges its files."""

import numpy as np

from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.readings.frame import regular

START_S, STEPS = 1_772_323_200, {"elm": 60}


def part(n: int):
    return regular("elm", START_S + 600 * n, 60, np.full(10, 400.0 + n))


def test_what_was_there_is_found_after_its_files_were_merged_away(tmp_path):
    writer = EmbeddedArchive(tmp_path, STEPS)
    for n in range(3):
        writer.append(part(n))
        writer.flush()
    reader = EmbeddedArchive(tmp_path, STEPS)
    known = {path.name for path in (tmp_path / "readings").rglob("*.parquet")}
    for n in range(3, 40):
        writer.append(part(n))
        writer.flush()
    left = {path.name for path in (tmp_path / "readings").rglob("*.parquet")}
    assert not known <= left  # some that the reader knows are gone
    found = reader.read("elm", START_S, START_S + 600 * 40)
    assert np.array_equal(found.outlet_kpa[:30], np.repeat([400.0, 401.0, 402.0], 10))
    assert np.isfinite(found.outlet_kpa).all()  # and what came since is there too
    assert {path.name for path in (tmp_path / "readings").rglob("*.parquet")} == left  # it deleted nothing


def test_a_day_that_was_dropped_meanwhile_is_empty_and_no_error(tmp_path):
    writer = EmbeddedArchive(tmp_path, STEPS)
    writer.append(part(0))
    writer.flush()
    reader = EmbeddedArchive(tmp_path, STEPS)
    for path in (tmp_path / "readings").rglob("*.parquet"):
        path.unlink()
    assert not np.isfinite(reader.read("elm", START_S, START_S + 600).outlet_kpa).any()
