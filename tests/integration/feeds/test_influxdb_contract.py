"""What is asked of InfluxDB 2: the same assertions against our stand-in, always, and a real server if named.

With STEADYHEAD_INFLUX_URL, _ORG, _BUCKET and _TOKEN in the environment every test here runs against that
server as well. It writes points of ``steadyhead_test_...`` and ``steadyhead_alert`` into the bucket, and
leaves them.
"""

import os
import secrets
from dataclasses import dataclass

import pytest
from influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import InfluxFeedSettings

from .alerts_bench import RAISED_S, verdict
from .feed_bench import MAPPING, START_S, FeedService, rows, until, wanted
from .influx_server import FluxServer

NAMES = [f"STEADYHEAD_INFLUX_{name}" for name in ("URL", "ORG", "BUCKET", "TOKEN")]
GIVEN = [os.environ[name] for name in NAMES if os.environ.get(name)]
if GIVEN and len(GIVEN) != len(NAMES):
    raise RuntimeError(f"set all of {', '.join(NAMES)}, or none")


@dataclass
class Bucket:
    """A bucket to write to and read from, and a name for this test's points."""

    url: str
    org: str
    bucket: str
    token: str
    measurement: str

    def write(self, *lines):
        """Line protocol without its measurement, as an independent client sends it."""
        with InfluxDBClient(url=self.url, token=self.token, org=self.org) as client:
            body = [f"{self.measurement},{line}" for line in lines]
            client.write_api(write_options=SYNCHRONOUS).write(
                self.bucket, self.org, body, write_precision="s"
            )

    def settings(self, folder, **more):
        (folder / "token").write_text(more.pop("token", self.token) + "\n")
        return {
            "kind": "influxdb", "url": self.url, "org": self.org, "bucket": self.bucket,
            "token_file": str(folder / "token"), "measurement": self.measurement,
            "tag": "{site}.{field}", **more,
        }  # fmt: skip

    def fetch(self, folder, from_s, to_s, **more):
        settings = InfluxFeedSettings.model_validate({**self.settings(folder, **more), "mapping": "m"})
        connector = open_connector("plant", settings)
        try:
            return connector.fetch(from_s * 1_000_000, to_s * 1_000_000)
        finally:
            connector.close()


@pytest.fixture(params=["stand-in", "real"] if GIVEN else ["stand-in"])
def bucket(request):
    name = f"steadyhead_test_{secrets.token_hex(6)}"
    if request.param == "real":
        yield Bucket(*GIVEN, name)
        return
    server = FluxServer([])
    yield Bucket(server.url, "works", "plant", "right", name)
    server.stop()


def as_rows(points):
    return {
        (points.tags[number], us // 1_000_000): value
        for number, us, value in zip(points.which, points.us, points.values, strict=True)
    }


def test_what_was_written_is_read_from_the_first_second_up_to_but_without_the_last(bucket, tmp_path):
    bucket.write(*(f"site=elm PIN={600 + n / 8} {START_S + n}" for n in range(10)))
    found = as_rows(bucket.fetch(tmp_path, START_S + 2, START_S + 8))
    assert found == {("elm.PIN", START_S + n): 600 + n / 8 for n in range(2, 8)}


def test_numbers_counts_texts_and_truths_are_told_apart(bucket, tmp_path):
    bucket.write(f'site=elm PIN=6.25,FLOW=36i,POUT="I/O fail",PUMP=true {START_S}')
    points = bucket.fetch(tmp_path, START_S, START_S + 1)
    found = as_rows(points)
    assert (found["elm.PIN", START_S], found["elm.FLOW", START_S]) == (6.25, 36.0)
    assert sorted(points.texts.values()) == ["I/O fail", "True"]


def test_quality_stands_beside_and_other_measurements_stay_out(bucket, tmp_path):
    bucket.write(
        f"site=elm PIN=6.0,q=192i {START_S}", f"site=elm PIN=6.1,q=24i {START_S + 60}",
        f"site=oak PIN=5.0 {START_S}"
    )  # fmt: skip
    points = bucket.fetch(tmp_path, START_S, START_S + 120, quality_field="q")
    codes = {(points.tags[n], us // 1_000_000): c for n, us, c in zip(points.which, points.us, points.codes, strict=True)}  # noqa: E501  # fmt: skip
    assert codes == {("elm.PIN", START_S): 192, ("elm.PIN", START_S + 60): 24, ("oak.PIN", START_S): None}
    other = bucket.fetch(tmp_path, START_S, START_S + 120, measurement="steadyhead_test_of_nobody")
    assert len(other) == 0


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"token": "hush-4711"}, r"does not accept the token \(401.*token_file"),
        ({"bucket": "steadyhead-nowhere"}, r"is not known there \(.*steadyhead-nowhere.*mend org, bucket or"),
        ({"org": "steadyhead-nobody"}, r"is not known there \(.*steadyhead-nobody.*mend org"),
    ],
)
def test_what_keeps_us_out_is_said(bucket, tmp_path, more, said):
    with pytest.raises(FeedError, match=said) as met:
        bucket.fetch(tmp_path, START_S, START_S + 1, **more)
    assert "hush-4711" not in str(met.value)


def test_a_service_brings_stored_readings_in_once_and_unchanged(bucket, tmp_path):
    made = list(rows(2000))
    bucket.write(*(f"site={tag.split('.')[1]} {tag.split('.')[2]}={value} {at}" for at, tag, value in made))
    lines = "".join(f'{key}: "{value}"\n' for key, value in bucket.settings(tmp_path).items())
    mapping = MAPPING.replace("WW.{station}.", "{station}.")
    service = FeedService(tmp_path / "s", f"{lines}backfill_from: 2025-07-01\npoll_s: 0.2\n", mapping)
    service.open()
    try:
        service.wait_for(len(made))
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_points_of_alerts_are_taken_and_a_change_replaces_them(bucket, tmp_path, room):
    keys = ("url", "org", "bucket", "token_file")
    settings = bucket.settings(tmp_path)
    running = room(influxdb={key: settings[key] for key in keys})
    alert = running.desk.raised(verdict("elm"))

    def told():
        more = {"measurement": "steadyhead_alert", "tag": "{station}.{condition}.{field}"}
        points = bucket.fetch(tmp_path, RAISED_S, RAISED_S + 1, **more)
        texts = {points.tags[points.which[n]]: text for n, text in points.texts.items()}
        return {points.tags[n]: v for n, v in zip(points.which, points.values, strict=True)} | texts

    until(lambda: told().get("elm.drift.state") == "active_unacknowledged")
    assert told()["elm.drift.confidence"] == 0.8
    running.desk.cleared(alert.alert_id, RAISED_S + 1800)
    until(lambda: told().get("elm.drift.state") == "returned_unacknowledged")
    assert told()["elm.drift.ended_s"] == RAISED_S + 1800
    assert running.outward.errors == {}
