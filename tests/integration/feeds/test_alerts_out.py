"""Alerts out: a real Mosquitto, and a real VictoriaMetrics, which takes InfluxDB's writes."""

import json
import subprocess
import time
import urllib.parse
import urllib.request
from pathlib import Path

import jsonschema
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from steadyhead.alerts.model import Verdict
from steadyhead.config import parse_registry
from steadyhead.errors import RegistryError
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings, load_settings

from .conftest import free_port, program
from .feed_bench import until

ROOT = Path(__file__).parents[3]
SCHEMA = json.loads((ROOT / "docs" / "feeds" / "station_state.schema.json").read_text())
REGISTRY = """
stations:
  elm: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: out, unit: kPa}}, sources: [{path: x.csv}]}
  oak: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: out, unit: kPa}}, sources: [{path: x.csv}]}
"""
RAISED_S = int(time.time()) // 60 * 60 - 3600


def verdict(station, condition="drift"):
    return Verdict(
        station=station, condition=condition, confidence=0.8, runners_up=(),
        magnitude={"departure_kpa": 12.0},
        evidence=("The outlet stands 12 kPa high.",), began_s=RAISED_S - 600, raised_s=RAISED_S, ended_s=None,
        updated_s=RAISED_S, profile_version="p1", window_s=(RAISED_S - 600, RAISED_S),
        facts={"departure_kpa": 12.0}, traits={"direction": "up"},
    )  # fmt: skip


class Listener:
    """Somebody who subscribes to everything, and keeps the last message of each topic."""

    def __init__(self, broker):
        self.heard, self.topics = {}, []
        self.client = paho.Client(CallbackAPIVersion.VERSION2)
        self.client.on_message = self._on_message
        self.client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def _on_message(self, client, user, message):
        self.topics.append(message.topic)
        self.heard[message.topic] = (json.loads(message.payload), message.retain)

    def state(self, station):
        return self.heard.get(f"steadyhead/stations/{station}/alerts", ({},))[0]

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


@pytest.fixture
def room(tmp_path):
    rooms = []

    def start(**out):
        settings = RoomSettings.model_validate(
            {
                "data_folder": tmp_path / "data",
                "watch_folders": False,
                "profiles": tmp_path / "p",
                "alerts_out": out,
            }
        )
        rooms.append(open_room(settings, parse_registry(REGISTRY)))
        rooms[-1].start()
        return rooms[-1]

    yield start
    for one in rooms:
        if one._lock_file is not None:
            one.stop()


def test_each_station_has_a_retained_state_that_follows_its_alerts(broker, room, monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.2)
    running = room(mqtt={"host": "127.0.0.1", "port": broker.port})
    early = Listener(broker)
    try:
        until(lambda: early.state("elm") and early.state("oak"))
        assert early.state("elm")["alerts"] == []
        alert = running.desk.raised(verdict("elm"))
        until(lambda: early.state("elm").get("worst_priority") is not None)
        late = Listener(broker)
        until(lambda: late.state("elm") and "steadyhead/service" in late.heard)
        assert late.heard["steadyhead/stations/elm/alerts"][1]  # retained
        (told,) = late.state("elm")["alerts"]
        assert (told["alert_id"], told["condition"], told["state"]) == (
            alert.alert_id, "drift", "active_unacknowledged"
        )  # fmt: skip
        assert late.state("oak")["alerts"] == []
        assert late.heard["steadyhead/service"][0]["state"] == "online"
        running.desk.acknowledge(alert.alert_id, "kari", "seen")
        until(lambda: early.state("elm")["alerts"][0]["state"] == "active_acknowledged")
        # a broker that is away while the alert ends
        broker.stop()
        running.desk.cleared(alert.alert_id, RAISED_S + 1800)
        broker.start()
        late.close()
        after = Listener(broker)
        until(lambda: after.state("elm").get("alerts") == [])
        for document, _ in [v for topic, v in after.heard.items() if topic.endswith("/alerts")]:
            jsonschema.validate(document, SCHEMA)
        jsonschema.validate(late.state("elm"), SCHEMA)
        running.stop()
        until(lambda: after.heard["steadyhead/service"][0]["state"] == "offline")
        assert {topic.split("/")[0] for topic in [*early.topics, *after.topics]} == {"steadyhead"}
        after.close()
    finally:
        early.close()


@pytest.mark.parametrize("base", ["spBv1.0/plant", "plant/#", "$SYS", ""])
def test_topics_that_devices_listen_to_cannot_be_ours(tmp_path, base):
    (tmp_path / "service.yaml").write_text(f'alerts_out:\n  mqtt:\n    host: x\n    base: "{base}"\n')
    with pytest.raises(
        RegistryError, match=r"service.yaml:4 alerts_out.mqtt.base: .*cannot begin our topics"
    ):
        load_settings(tmp_path / "service.yaml")


def test_alerts_and_their_ends_become_points(tmp_path, room):
    port = free_port()
    server = subprocess.Popen(
        [program("victoria-metrics", "victoria-metrics"), f"-storageDataPath={tmp_path}/vm",
         f"-httpListenAddr=127.0.0.1:{port}", "-loggerLevel=ERROR", "-retentionPeriod=1"],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    url = f"http://127.0.0.1:{port}"

    def asked(path, **values):
        try:
            with urllib.request.urlopen(f"{url}{path}?{urllib.parse.urlencode(values)}", timeout=5) as answer:
                return answer.read().decode()
        except OSError:
            return ""

    try:
        until(lambda: asked("/health") == "OK")
        (tmp_path / "token").write_text("any")
        running = room(
            influxdb={"url": url, "org": "o", "bucket": "b", "token_file": str(tmp_path / "token")}
        )
        alert = running.desk.raised(verdict("elm"))

        def points(name):
            asked("/internal/force_flush")
            text = asked("/api/v1/export", **{"match[]": f'steadyhead_alert_{name}{{station="elm"}}'})
            return [json.loads(line) for line in text.splitlines()]

        until(lambda: points("confidence"), 40)
        assert points("confidence")[0]["values"] == [0.8]
        assert points("confidence")[0]["timestamps"] == [RAISED_S * 1000]
        assert points("confidence")[0]["metric"]["condition"] == "drift"
        assert points("magnitude_departure_kpa")[0]["values"] == [12.0]
        running.desk.cleared(alert.alert_id, RAISED_S + 1800)
        until(lambda: points("ended_s"), 40)
        assert points("ended_s")[0]["values"][-1] == RAISED_S + 1800
        assert running.outward.errors == {}
    finally:
        server.terminate()
        server.wait(20)
