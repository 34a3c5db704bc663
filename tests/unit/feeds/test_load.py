"""One call from registry and logs to readings."""

import numpy as np
import pytest

from steadyhead.errors import FeedError, RegistryError
from steadyhead.feeds.load import load_readings, load_what_can_be_read

REGISTRY = """
log_root: logs
defaults:
  time_zone: UTC
  step_s: 900
  tags: {outlet: {tag: P, unit: kPa}}
  sources: [{path: "{station}.csv"}]
stations:
  a: {zone: low, step_s: 60}
  b: {zone: low}
  c: {zone: high}
  d: {}
"""


@pytest.fixture
def registry_path(tmp_path):
    (tmp_path / "logs").mkdir()
    for n, name in enumerate("abcd"):
        rows = [f"2024-01-01 00:{m:02d},{100 * (n + 1) + m}" for m in (0, 15, 30)]
        (tmp_path / "logs" / f"{name}.csv").write_text("time,P\n" + "\n".join(rows) + "\nx,1\n")
    path = tmp_path / "stations.yaml"
    path.write_text(REGISTRY)
    return path


def test_all_stations_are_read_with_their_neighbours(registry_path):
    readings, rejects = load_readings(registry_path)
    assert list(readings) == list(rejects) == ["a", "b", "c", "d"]
    assert readings["b"].outlet_kpa.tolist() == [200, 215, 230]
    assert readings["b"].neighbour_kpa.tolist() == [100, 115, 130]
    assert np.isnan(readings["c"].neighbour_kpa).all()
    assert len(readings["a"]) == 31
    assert [r.total for r in rejects.values()] == [1, 1, 1, 1]


def test_one_station_gets_its_neighbours_too_but_only_it_is_returned(registry_path):
    whole, _ = load_readings(registry_path)
    readings, rejects = load_readings(registry_path, stations=["a"])
    assert list(readings) == list(rejects) == ["a"]
    np.testing.assert_array_equal(readings["a"].neighbour_kpa, whole["a"].neighbour_kpa)
    assert np.nanmax(readings["a"].neighbour_kpa) == 230


def test_progress_goes_up_to_the_whole(registry_path):
    calls = []
    load_readings(registry_path, progress=lambda *call: calls.append(call))
    assert [call[0] for call in calls] == ["a", "b", "c", "d"]
    assert [call[1] for call in calls] == sorted(call[1] for call in calls)
    assert calls[-1][1] == calls[-1][2] > 0


def test_another_log_root_can_be_given(registry_path, tmp_path):
    (tmp_path / "logs").rename(tmp_path / "moved")
    assert len(load_readings(registry_path, log_root=tmp_path / "moved")[0]) == 4


def test_an_unknown_station_is_said_with_the_known_ones(registry_path):
    with pytest.raises(FeedError, match='there is no station "e" in the registry; known: a, b, c, d'):
        load_readings(registry_path, stations=["a", "e"])


def test_every_station_that_cannot_be_read_has_its_line(registry_path, tmp_path):
    (tmp_path / "logs" / "b.csv").write_text("time,P\n2024-01-01,Bad\n")
    (tmp_path / "logs" / "d.csv").write_text("")
    with pytest.raises(FeedError) as error:
        load_readings(registry_path)
    lines = str(error.value).splitlines()
    assert len(lines) == 2
    assert lines[0].startswith('b: tag "P" (outlet) has no usable value: 1 were refused, such as "Bad"')
    assert lines[1].startswith("d: ")
    with pytest.raises(FeedError, match="until then, judged without this neighbour: a"):
        load_readings(registry_path, stations=["a"])


def test_missing_files_are_said_before_anything_is_read(registry_path, tmp_path):
    (tmp_path / "logs" / "d.csv").unlink()
    calls = []
    with pytest.raises(FeedError, match=r'd: no file matches "d\.csv"'):
        load_readings(registry_path, progress=lambda *call: calls.append(call))
    assert calls == []


def test_a_station_that_cannot_be_read_is_left_out_and_the_others_are_read(registry_path, tmp_path):
    whole, _ = load_readings(registry_path)
    (tmp_path / "logs" / "d.csv").unlink()
    (tmp_path / "logs" / "c.csv").write_bytes(b"\x1f\x8bnonsense")
    loaded = load_what_can_be_read(registry_path)
    assert list(loaded.readings) == list(loaded.rejects) == ["a", "b"]
    assert list(loaded.problems) == ["d", "c"]
    assert loaded.problems["d"].startswith('d: no file matches "d.csv"')
    assert loaded.problems["c"].startswith("c: ")  # what the file says of itself does not name the station
    assert "c.csv: the gzip file is cut short or corrupt" in loaded.problems["c"]
    np.testing.assert_array_equal(loaded.readings["a"].outlet_kpa, whole["a"].outlet_kpa)


def test_those_of_its_zone_do_without_it_and_that_is_said(registry_path, tmp_path):
    (tmp_path / "logs" / "b.csv").unlink()
    for stations in (None, ["a"]):
        loaded = load_what_can_be_read(registry_path, stations=stations)
        assert np.isnan(loaded.readings["a"].neighbour_kpa).all()
        assert loaded.problems["b"].endswith("; until then, judged without this neighbour: a")


def test_progress_goes_up_to_the_whole_of_what_is_there(registry_path, tmp_path):
    (tmp_path / "logs" / "b.csv").unlink()
    calls = []
    load_what_can_be_read(registry_path, progress=lambda *call: calls.append(call))
    assert [call[0] for call in calls] == ["a", "c", "d"]
    assert calls[-1][1] == calls[-1][2] > 0


def test_if_none_can_be_read_each_has_its_line(registry_path, tmp_path):
    for name in "abcd":
        (tmp_path / "logs" / f"{name}.csv").write_text("")
    with pytest.raises(FeedError) as error:
        load_what_can_be_read(registry_path)
    assert [line[:3] for line in str(error.value).splitlines()] == ["a: ", "b: ", "c: ", "d: "]


def test_messages_give_the_folder_without_detours(registry_path, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "logs" / "d.csv").write_text("")
    problems = load_what_can_be_read(registry_path, tmp_path / "elsewhere" / ".." / "logs").problems
    assert problems["d"].startswith(f"d: {tmp_path / 'logs' / 'd.csv'} is empty")


def test_a_detour_through_a_link_is_kept(registry_path, tmp_path):
    """link/.. is the parent of what the link names, not of the link."""
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / "logs").rename(tmp_path / "deep" / "logs")
    (tmp_path / "link").symlink_to(tmp_path / "deep" / "er")
    assert len(load_readings(registry_path, log_root=tmp_path / "link" / ".." / "logs")[0]) == 4


def test_a_bad_registry_is_said_as_such(tmp_path):
    with pytest.raises(RegistryError):
        load_readings(tmp_path / "none.yaml")


def test_reading_writes_nothing(registry_path, tmp_path):
    before = sorted(tmp_path.rglob("*"))
    load_readings(registry_path)
    assert sorted(tmp_path.rglob("*")) == before
