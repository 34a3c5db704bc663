"""Readings of a shared fleet: found wherever a station has been; an owner that was paused spoils nothing."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from steadyhead.archive.archive import CHANNELS, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.merging import MOST_FILES
from steadyhead.archive.place import ArchivePlace
from steadyhead.archive.shares import place_of, write_places
from steadyhead.errors import ArchiveError
from steadyhead.live.sharing.archives import OwnArchive
from steadyhead.live.sharing.fence import FencedDatabase
from steadyhead.readings.frame import Readings, regular

START_S = 1_772_323_200
N = 600
STEPS = {"a": 60, "b": 60}


def some_log(seed: int = 1) -> Readings:
    rng = np.random.default_rng(seed)
    outlet = 400 + rng.normal(0, 1, N)
    outlet[rng.random(N) < 0.1] = np.nan
    return regular("a", START_S, 60, outlet, inlet_kpa=700 + rng.normal(0, 3, N))


def fenced(fence: int) -> Any:
    """Stands for the fenced database of an owner; ``is_held`` says whether it still is one."""
    stand_in = SimpleNamespace(fence=SimpleNamespace(name="stations:0000", fence=fence), is_held=True)
    stand_in.holds = lambda: stand_in.is_held
    return stand_in


def own(place: ArchivePlace, share: int, database: Any) -> OwnArchive:
    return OwnArchive(place_of(place, share), STEPS, cast("FencedDatabase", database))


@pytest.fixture
def place(tmp_path: Path) -> ArchivePlace:
    return ArchivePlace("embedded", tmp_path, Keep())


def same(one: Readings, other: Readings) -> bool:
    return all(np.array_equal(getattr(one, c), getattr(other, c), equal_nan=True) for c in CHANNELS)


def test_readings_of_a_station_that_went_to_another_share_are_one_series(place: ArchivePlace):
    log = some_log()
    first, second = own(place, 0, fenced(1)), own(place, 1, fenced(1))
    first.append(log.rows(0, 250))
    second.append(log.rows(240, N))
    first.flush()
    second.flush()
    write_places(place.folder, {"a": [1, 0], "b": [0]})
    fleet = place.open(STEPS)
    assert same(fleet.read("a", log.start_s, log.end_s), log)
    assert fleet.extent("a") == (log.start_s, log.end_s - 60)
    assert fleet.extent("b") is None
    alone = EmbeddedArchive(place.folder / "alone", STEPS)
    alone.append(log)
    for points in (N, 50, 7):
        found = fleet.series("a", log.start_s, log.end_s, points)
        wanted = alone.series("a", log.start_s, log.end_s, points)
        assert found.times_s.tolist() == wanted.times_s.tolist()
        for part in ("low", "high"):
            got, want = (getattr(s.channels["outlet_kpa"], part) for s in (found, wanted))
            is_seam = found.times_s // found.bucket_s == (log.start_s + 240 * 60) // found.bucket_s
            np.testing.assert_array_equal(got[~is_seam], want[~is_seam])


def test_places_that_cannot_be_read_are_told(place: ArchivePlace):
    (place.folder / "places.json").write_text("{")
    with pytest.raises(ArchiveError, match=r"places\.json: cannot be read"):
        place.open(STEPS).read("a", 0, 60)


def test_an_owner_that_was_paused_spoils_nothing_when_it_wakes(place: ArchivePlace):
    log = some_log()
    before = fenced(1)
    paused = own(place, 0, before)
    for n in range(MOST_FILES - 1):
        paused.append(log.rows(10 * n, 10 * n + 10))
        paused.flush()
    at = 10 * (MOST_FILES - 1)
    paused.append(log.rows(at, at + 50))  # judged, not yet written; its successor judges the same again
    successor = own(place, 0, fenced(2))
    successor.append(log.rows(at, at + 50))
    # it wakes in the middle of a flush, behind the look at its fence: writes, and merges what lies there
    EmbeddedArchive.flush(paused)
    successor.flush()
    assert same(successor.read("a", log.start_s, log.start_s + 60 * (at + 50)), log.rows(0, at + 50))
    for n in range(at + 50, N, 30):
        successor.append(log.rows(n, n + 30))
        successor.flush()
    assert same(successor.read("a", log.start_s, log.end_s), log)
    assert same(own(place, 0, fenced(3)).read("a", log.start_s, log.end_s), log)
    # and from the look on it writes nothing more
    before.is_held = False
    paused.append(log.rows(0, 10))
    with pytest.raises(ArchiveError, match="another process writes this archive"):
        paused.flush()
    with pytest.raises(ArchiveError, match="another process writes this archive"):
        paused.thin(log.end_s)
