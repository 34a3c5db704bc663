"""The archive in InfluxDB 2, against a stand-in that answers as documented.

With STEADYHEAD_TEST_INFLUX_URL, _ORG, _BUCKET and _TOKEN set, the same tests run against a real server too.
"""

from __future__ import annotations

import os
import secrets
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from influx_stand_in import BUCKET, ORG, TOKEN, StandIn

from steadyhead.archive.archive import CHANNELS, DAY_S, Keep
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.archive.influx import InfluxArchive
from steadyhead.archive.influx_text import read_token
from steadyhead.errors import ArchiveError
from steadyhead.readings.frame import Readings, regular

START_S = 1_772_323_200
SERVERS = ["stand_in", *(["real"] if "STEADYHEAD_TEST_INFLUX_URL" in os.environ else [])]


@dataclass
class Place:
    url: str
    org: str
    bucket: str
    token: str
    station: str
    stand_in: StandIn | None

    def archive(self, keep: Keep | None = None, step_s: int = 60) -> InfluxArchive:
        steps = {self.station: step_s}
        return InfluxArchive(self.url, self.org, self.bucket, self.token, steps, keep)


@pytest.fixture(params=SERVERS)
def place(request: pytest.FixtureRequest) -> Iterator[Place]:
    station = f"east-{secrets.token_hex(8)}.of_it"  # every mark a name may have
    if request.param == "real":
        names = ("URL", "ORG", "BUCKET", "TOKEN")
        yield Place(
            *(os.environ[f"STEADYHEAD_TEST_INFLUX_{n}"] for n in names), f"t{secrets.token_hex(8)}", None
        )
        return
    server = StandIn()
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield Place(server.url, ORG, BUCKET, TOKEN, station, server)
    server.shutdown()
    thread.join()
    server.server_close()


def some_log(station: str, n: int = 600, seed: int = 1, start_s: int = START_S) -> Readings:
    rng = np.random.default_rng(seed)
    outlet = 400 + rng.normal(0, 1, n)
    outlet[rng.random(n) < 0.1] = np.nan
    flow = np.where(np.arange(n) % 50 < 5, np.nan, 10 + rng.normal(0, 1, n))
    flags = np.zeros(n, dtype=np.uint16)
    flags[20:25] = 4097
    return regular(
        station, start_s, 60, outlet, inlet_kpa=700 + rng.normal(0, 3, n), flow_lps=flow, flags=flags
    )


def assert_same(one: Readings, other: Readings) -> None:
    assert (one.start_s, one.step_s, len(one)) == (other.start_s, other.step_s, len(other))
    for name in (*CHANNELS, "flags"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)


def test_what_was_appended_reads_back_to_the_last_bit(place: Place):
    archive = place.archive()
    log = some_log(place.station)
    assert archive.extent(place.station) is None
    archive.append(log)
    assert_same(archive.read(place.station, log.start_s, log.end_s), log)  # before it is sent
    archive.flush()
    assert_same(archive.read(place.station, log.start_s, log.end_s), log)
    assert archive.extent(place.station) == (log.start_s, log.end_s - 60)
    archive.append(log.rows(100, 300))
    archive.close()  # the same rows again change nothing
    again = place.archive()
    assert_same(again.read(place.station, log.start_s - 600, log.end_s).rows(10, 610), log)
    again.close()


@pytest.mark.parametrize("points", [13, 100, 1000])
def test_series_are_those_of_the_embedded_archive(place: Place, tmp_path: Path, points: int):
    archive = place.archive()
    other = EmbeddedArchive(tmp_path, {place.station: 60})
    log = some_log(place.station)
    for each in (archive, other):
        each.append(log)
        each.flush()
    one, two = (each.series(place.station, log.start_s, log.end_s, points) for each in (archive, other))
    assert (one.bucket_s, one.is_thinned) == (two.bucket_s, False)
    np.testing.assert_array_equal(one.times_s, two.times_s)
    for name in CHANNELS:
        for part in ("low", "mean", "high"):
            np.testing.assert_allclose(
                getattr(one.channels[name], part), getattr(two.channels[name], part), rtol=1e-12
            )
    archive.close()


def test_thinning_leaves_fifteen_minutes_then_nothing(place: Place):
    archive = place.archive(Keep(full_days=30, thinned_days=100))
    log = some_log(place.station, n=2 * 1440)
    archive.append(log)
    archive.flush()
    before = archive.series(place.station, log.start_s, log.end_s, 60)
    assert archive.thin(log.end_s + 20 * DAY_S).rows_removed == 0
    done = archive.thin(log.end_s + 31 * DAY_S)
    assert done.rows_removed == 2 * 1440
    assert np.isnan(archive.read(place.station, log.start_s, log.end_s).outlet_kpa).all()
    after = archive.series(place.station, log.start_s, log.end_s, 60)
    assert after.is_thinned
    for part in ("low", "mean", "high"):
        one, other = (getattr(s.channels["outlet_kpa"], part) for s in (before, after))
        np.testing.assert_allclose(one, other, rtol=1e-12)
    archive.thin(log.end_s + 101 * DAY_S)
    gone = archive.series(place.station, log.start_s, log.end_s, 60)
    assert np.isnan(gone.channels["outlet_kpa"].mean).all()
    archive.close()


def test_a_server_that_is_away_is_said_and_nothing_is_lost(place: Place):
    if place.stand_in is None:  # a real one is not ours to stop
        return
    archive = place.archive()
    log = some_log(place.station)
    archive.append(log)
    place.stand_in.is_away = True
    with pytest.raises(ArchiveError, match="answered 503"):
        archive.flush()
    place.stand_in.is_away = False
    archive.flush()
    assert len(place.stand_in.points) == len(log)
    archive.close()


def test_a_wrong_token_and_a_wrong_address_are_said(place: Place, tmp_path: Path):
    wrong = InfluxArchive(place.url, place.org, place.bucket, "wrong", {place.station: 60})
    wrong.append(some_log(place.station))
    with pytest.raises(ArchiveError, match=r"answered 401.*token"):
        wrong.flush()
    nowhere = InfluxArchive("http://127.0.0.1:9", place.org, place.bucket, "x", {}, timeout_s=2)
    with pytest.raises(ArchiveError, match="cannot be reached"):
        nowhere.read(place.station, 0, 60)
    (tmp_path / "token").write_text(" abc \n")
    assert read_token(tmp_path / "token") == "abc"
    with pytest.raises(ArchiveError, match="cannot be read"):
        read_token(tmp_path / "none")
    (tmp_path / "empty").write_text("\n")
    with pytest.raises(ArchiveError, match="is empty"):
        read_token(tmp_path / "empty")
