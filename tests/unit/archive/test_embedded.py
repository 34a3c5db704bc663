"""What the embedded archive promises, whatever the order and the cut in which rows come."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from steadyhead.archive.archive import CHANNELS, DAY_S, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.merging import MOST_FILES
from steadyhead.errors import ArchiveError
from steadyhead.readings.frame import Readings, regular

START_S = 1_772_323_200 - 3600  # an hour before the end of a month: 2026-02-28 23:00 UTC
STEPS = {"a": 60, "b": 60, "coarse": 900}


def some_log(station: str = "a", n: int = 240, start_s: int = START_S, seed: int = 1) -> Readings:
    rng = np.random.default_rng(seed)
    outlet = 400 + rng.normal(0, 1, n)
    outlet[rng.random(n) < 0.1] = np.nan
    flow = np.where(np.arange(n) % 50 < 5, np.nan, 10 + rng.normal(0, 1, n))
    inlet = 700 + rng.normal(0, 3, n)
    inlet[:7] = np.nan
    outlet[:7] = np.nan
    flow[:7] = np.nan  # seven rows that hold nothing
    flags = np.zeros(n, dtype=np.uint16)
    flags[20:25] = 7
    return regular(station, start_s, STEPS[station], outlet, inlet_kpa=inlet, flow_lps=flow, flags=flags)


def same(one: Readings, other: Readings) -> bool:
    return (
        (one.station, one.start_s, one.step_s) == (other.station, other.start_s, other.step_s)
        and all(np.array_equal(getattr(one, c), getattr(other, c), equal_nan=True) for c in CHANNELS)
        and np.array_equal(one.flags, other.flags)
    )


def whole(archive: EmbeddedArchive, log: Readings) -> Readings:
    return archive.read(log.station, log.start_s, log.end_s)


@settings(max_examples=40, deadline=None)
@given(
    cuts=st.lists(st.integers(0, 240), max_size=6).map(sorted),
    order=st.randoms(use_true_random=False),
    flushes=st.lists(st.booleans(), min_size=20, max_size=20),
    repeats=st.lists(st.integers(0, 6), max_size=4),
)
def test_any_cut_order_and_repetition_gives_the_same_read(tmp_path_factory, cuts, order, flushes, repeats):
    log = some_log()
    parts = [log.rows(a, b) for a, b in zip([0, *cuts], [*cuts, 240], strict=True)]
    parts += [parts[n] for n in repeats if n < len(parts)]
    order.shuffle(parts)
    archive = EmbeddedArchive(tmp_path_factory.mktemp("archive"), STEPS)
    for part, must_flush in zip(parts, flushes, strict=False):
        archive.append(part)
        archive.append(some_log("b"))
        if must_flush:
            archive.flush(["a"])
    assert same(whole(archive, log), log)
    archive.close()
    again = EmbeddedArchive(archive._full.folder.parent, STEPS)
    assert same(whole(again, log), log)
    assert same(whole(again, some_log("b")), some_log("b"))


def test_what_was_flushed_survives_and_what_was_not_does_not(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    archive.append(some_log("a"))
    archive.append(some_log("b"))
    archive.flush(["a"])
    found = EmbeddedArchive(tmp_path, STEPS)
    assert same(whole(found, some_log("a")), some_log("a"))
    assert np.isnan(whole(found, some_log("b")).outlet_kpa).all()


def test_a_missing_value_takes_nothing_back_and_a_new_one_stands(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    first = regular("a", START_S, 60, np.array([400.0, 401.0]), inlet_kpa=np.array([700.0, np.nan]))
    second = regular("a", START_S, 60, np.array([np.nan, 402.0]), inlet_kpa=np.array([np.nan, 701.0]))
    for readings in (first, second):
        archive.append(readings)
        archive.flush()
    found = archive.read("a", START_S, START_S + 120)
    assert found.outlet_kpa.tolist() == [400.0, 402.0]
    assert found.inlet_kpa.tolist() == [700.0, 701.0]


def test_reading_beyond_what_is_there_gives_gaps_on_the_grid(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    archive.append(some_log("a"))
    found = archive.read("a", START_S - 90, START_S + 600)
    assert (found.start_s, found.end_s) == (START_S - 60, START_S + 600)
    assert np.isnan(archive.read("b", START_S, START_S + 600).outlet_kpa).all()
    assert np.isnan(archive.read("nobody", START_S, START_S + 600).outlet_kpa).all()


def test_many_flushes_end_in_few_files_and_lose_nothing(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    log = some_log(n=600, start_s=START_S + 3600)
    for first in range(0, 600, 5):
        archive.append(log.rows(first, first + 5))
        archive.flush()
    assert same(whole(archive, log), log)
    assert len(list(tmp_path.glob("readings/*/*/*.parquet"))) <= MOST_FILES
    held = sum(pq.ParquetFile(p).metadata.num_rows for p in tmp_path.glob("readings/*/*/*.parquet"))
    assert held == 600 - 7  # rows without any value are not kept


def test_a_merge_that_a_crash_interrupted_is_cleaned_up(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    log = some_log(n=60, start_s=START_S + 3600)
    kept: list[tuple[Path, bytes]] = []
    for first in range(0, 60, 5):
        archive.append(log.rows(first, first + 5))
        archive.flush()
        if first < 35:
            kept += [(p, p.read_bytes()) for p in tmp_path.glob("readings/*/*/*.parquet")]
    for path, data in kept:  # as if the files that were merged had not been deleted yet
        path.write_bytes(data)
    again = EmbeddedArchive(tmp_path, STEPS)
    assert same(whole(again, log), log)
    left = sorted(p.name for p in tmp_path.glob("readings/*/*/*.parquet"))
    ranges = [tuple(map(int, name.split("-")[:2])) for name in left]
    assert all(b[0] > a[1] for a, b in pairwise(ranges)), left


def test_extent_is_the_first_and_last_row_that_holds_something(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    assert archive.extent("a") is None
    archive.append(some_log("a"))
    assert archive.extent("a") == (START_S + 7 * 60, START_S + 239 * 60)
    archive.flush()
    assert archive.extent("a") == (START_S + 7 * 60, START_S + 239 * 60)
    assert archive.extent("b") is None


def naive_series(log: Readings, from_s: int, n: int, bucket_s: int) -> dict[str, list[tuple[float, ...]]]:
    """Slow and obvious: every bucket by itself."""
    found: dict[str, list[tuple[float, ...]]] = {}
    for name in ("outlet_kpa", "flow_lps"):
        rows = []
        for i in range(n):
            inside = log.between(from_s + i * bucket_s, from_s + (i + 1) * bucket_s)
            values = getattr(inside, name)
            values = values[~np.isnan(values)]
            rows.append((values.min(), values.mean(), values.max()) if len(values) else (np.nan,) * 3)
        found[name] = rows
    return found


@pytest.mark.parametrize("points", [7, 60, 300])
@pytest.mark.parametrize("is_settled", [False, True])
def test_series_are_least_mean_and_largest_of_each_bucket(tmp_path: Path, points: int, is_settled: bool):
    archive = EmbeddedArchive(tmp_path, STEPS)
    log = some_log(n=3 * 1440)
    archive.append(log)
    if is_settled:
        archive.thin(log.end_s + 10 * DAY_S)  # makes pieces, takes nothing away
    series = archive.series("a", log.start_s, log.end_s, points)
    assert len(series.times_s) <= points
    assert not series.is_thinned
    expected = naive_series(log, int(series.times_s[0]), len(series.times_s), series.bucket_s)
    for name, rows in expected.items():
        found = series.channels[name]
        got = np.stack([found.low, found.mean, found.high], axis=1)
        np.testing.assert_allclose(got, np.array(rows), rtol=1e-12)


def test_thinning_keeps_fifteen_minutes_then_nothing(tmp_path: Path):
    keep = Keep(full_days=30, thinned_days=100)
    archive = EmbeddedArchive(tmp_path, STEPS, keep)
    log = some_log(n=3 * 1440)
    archive.append(log)
    archive.flush()
    before = archive.series("a", log.start_s, log.end_s, 100)
    assert archive.thin(log.end_s + 20 * DAY_S).rows_removed == 0
    assert same(whole(archive, log), log)

    done = archive.thin(log.end_s + 33 * DAY_S)
    assert done.rows_removed == 3 * 1440 - 7
    assert np.isnan(whole(archive, log).outlet_kpa).all()
    assert archive.thin(log.end_s + 33 * DAY_S) == type(done)(0, 0, 0)  # a second time changes nothing
    for opened in (archive, EmbeddedArchive(tmp_path, STEPS, keep)):
        after = opened.series("a", log.start_s, log.end_s, 100)
        assert after.is_thinned
        for name in CHANNELS:
            for part in ("low", "mean", "high"):
                one, other = getattr(before.channels[name], part), getattr(after.channels[name], part)
                np.testing.assert_allclose(one, other, rtol=1e-12)

    archive.thin(log.end_s + 103 * DAY_S)  # pieces go a whole month at a time, and March is not over yet
    assert not np.isnan(archive.series("a", log.start_s, log.end_s, 100).channels["outlet_kpa"].mean).all()
    assert archive.thin(log.end_s + 131 * DAY_S).pieces_removed > 0
    empty = archive.series("a", log.start_s, log.end_s, 100)
    assert np.isnan(empty.channels["outlet_kpa"].mean).all()


def test_months_are_gathered_and_say_the_same(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS, Keep(full_days=30, thinned_days=4000))
    start_s = START_S - 45 * DAY_S
    logs = [some_log("a", 60 * 1440, start_s), some_log("coarse", 60 * 96, start_s // 900 * 900, 4)]
    for log in logs:
        archive.append(log)
    before = [archive.series(log.station, log.start_s, log.end_s, 60) for log in logs]
    archive.thin(logs[0].end_s + 50 * DAY_S)
    assert [p.parent.name for p in tmp_path.glob("pieces/2026-02/*")]
    assert not list(tmp_path.glob("pieces/2026-02-*"))
    for log, series in zip(logs, before, strict=True):
        after = archive.series(log.station, log.start_s, log.end_s, 60)
        for name in ("outlet_kpa", "flow_lps"):
            for part in ("low", "mean", "high"):
                one, other = getattr(series.channels[name], part), getattr(after.channels[name], part)
                np.testing.assert_allclose(one, other, rtol=1e-12)


def test_rows_that_come_for_a_thinned_day_add_only_what_is_missing(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS, Keep(full_days=30, thinned_days=4000))
    start_s = START_S + 3600
    log = some_log(n=720, start_s=start_s)
    later = some_log(n=1440, start_s=start_s, seed=9)
    archive.append(log)
    now_s = start_s + 40 * DAY_S
    archive.thin(now_s)
    archive.append(later)
    archive.flush()
    archive.thin(now_s)
    series = archive.series("a", start_s, start_s + DAY_S, 97)
    assert series.is_thinned
    expected = naive_series(log, start_s, 48, 900)["outlet_kpa"]
    expected += naive_series(later, start_s + 48 * 900, 48, 900)["outlet_kpa"]
    np.testing.assert_allclose(series.channels["outlet_kpa"].mean, [mean for _, mean, _ in expected])


def test_a_broken_file_is_named(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    archive.append(some_log())
    archive.flush()
    path = next(tmp_path.glob("readings/*/*/*.parquet"))
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(ArchiveError, match=r"parquet: cannot be read .* restore it"):
        whole(archive, some_log())


def test_rows_stay_readable_and_are_tried_again_where_the_folder_cannot_be_written(tmp_path: Path):
    archive = EmbeddedArchive(tmp_path, STEPS)
    archive.append(some_log())
    shutil.rmtree(tmp_path / "readings")
    (tmp_path / "readings").write_text("no folder")
    with pytest.raises(ArchiveError, match="cannot be written"):
        archive.flush()
    assert same(whole(archive, some_log()), some_log())
    (tmp_path / "readings").unlink()
    archive.flush()
    assert same(whole(EmbeddedArchive(tmp_path, STEPS), some_log()), some_log())
