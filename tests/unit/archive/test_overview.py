"""Plots over years come from files of months, and say what the readings say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_embedded import STEPS, some_log

from steadyhead.archive import segments
from steadyhead.archive.archive import CHANNELS, DAY_S, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.overview import COARSE_S
from steadyhead.archive.shelf import group_of

START_S = 1_767_225_600  # 2026-01-01 00:00 UTC
DAYS = 80
END_S = START_S + DAYS * DAY_S
POINTS = DAYS * DAY_S // COARSE_S + 1  # so that a bucket has six hours


@pytest.fixture
def archive(tmp_path: Path) -> EmbeddedArchive:
    found = EmbeddedArchive(tmp_path, STEPS, Keep(full_days=60, thinned_days=400))
    found.append(some_log("a", DAYS * 1440, START_S))
    found.append(some_log("coarse", DAYS * 96, START_S, seed=3))
    found.flush()
    return found


def plot(archive: EmbeddedArchive, station: str = "a"):
    series = archive.series(station, START_S, END_S, POINTS)
    assert series.bucket_s == COARSE_S
    return series


def says_the_same(one, other) -> None:
    np.testing.assert_array_equal(one.times_s, other.times_s)
    for name in CHANNELS:
        for part in ("low", "mean", "high"):
            np.testing.assert_allclose(
                getattr(one.channels[name], part), getattr(other.channels[name], part), rtol=1e-12
            )


def files_read(archive: EmbeddedArchive, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    read, seen = segments.read, []

    def note(path: Path, *more):
        seen.append(path.parts[-4])
        return read(path, *more)

    with monkeypatch.context() as patch:
        patch.setattr(segments, "read", note)
        plot(archive)
    return seen


def test_a_far_plot_reads_a_file_a_month_and_says_what_the_readings_say(archive, tmp_path, monkeypatch):
    before = {station: plot(archive, station) for station in ("a", "coarse")}
    assert files_read(archive, monkeypatch).count("readings") == DAYS
    archive.thin(END_S + 3 * DAY_S)
    # By hand: January, February and March; pieces are made two days after a day is over, so here of all days.
    assert files_read(archive, monkeypatch) == ["overview"] * 3
    for opened in (archive, EmbeddedArchive(tmp_path, STEPS)):
        for station, expected in before.items():
            says_the_same(plot(opened, station), expected)


def test_days_too_fresh_for_pieces_are_read_as_they_came(archive, monkeypatch):
    before = plot(archive)
    archive.thin(END_S)
    seen = files_read(archive, monkeypatch)
    assert (seen.count("overview"), seen.count("readings")) == (3, 2)
    says_the_same(plot(archive), before)


def test_late_rows_are_seen_at_once_and_taken_up_by_the_next_thinning(archive, monkeypatch):
    archive.thin(END_S + 3 * DAY_S)
    late = some_log("a", 600, START_S + 40 * DAY_S, seed=11)
    archive.append(late)
    archive.flush()
    shown = plot(archive)
    seen = files_read(archive, monkeypatch)
    assert seen.count("readings") >= 1, "the day is not read from what does not know of the late rows"
    archive.thin(END_S + 3 * DAY_S)
    assert set(files_read(archive, monkeypatch)) == {"overview"}
    says_the_same(plot(archive), shown)


def test_the_overview_follows_when_readings_and_pieces_go(archive, tmp_path, monkeypatch):
    before = plot(archive)
    archive.thin(END_S + 70 * DAY_S)
    after = plot(archive)
    assert after.is_thinned
    assert files_read(archive, monkeypatch) == ["overview"] * 3
    says_the_same(after, before)
    archive.thin(END_S + 400 * DAY_S)  # by then January's pieces and February's are gone, March is not over
    group = f"{group_of('a'):02d}"
    assert [p.parent.parent.name for p in tmp_path.glob(f"overview/*/{group}/*.parquet")] == ["2026-03"]
    left = plot(archive).channels["outlet_kpa"].mean
    assert np.isnan(left[: 59 * 4]).all()
    assert not np.isnan(left[59 * 4 :]).any()
