"""Alerts out: a real Mosquitto, and a real VictoriaMetrics, which takes InfluxDB's writes."""

import json
import subprocess
import urllib.parse
import urllib.request
from pathlib import Path

import jsonschema
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from steadyhead import service
from steadyhead.config import Settings, parse_registry
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import RegistryError
from steadyhead.live.settings import load_settings
from steadyhead.profile.learn import learn
from steadyhead.proving_plant.asked import Asked
from steadyhead.proving_plant.simulate import simulate
from steadyhead.store.profiles import save_profile

from .alerts_bench import RAISED_S, REGISTRY, verdict
from .conftest import free_port, program
from .feed_bench import until
from .influx_server import FluxServer

ROOT = Path(__file__).parents[3]
SCHEMA = json.loads((ROOT / "docs" / "feeds" / "station_state.schema.json").read_text())


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
        assert told["title"] == load_knowledge().entries["drift"].title
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


class Points:
    """A real VictoriaMetrics, which takes InfluxDB's writes, and what it holds."""

    def __init__(self, folder):
        port = free_port()
        self.url = f"http://127.0.0.1:{port}"
        self.process = subprocess.Popen(
            [program("victoria-metrics", "victoria-metrics"), f"-storageDataPath={folder}/vm",
             f"-httpListenAddr=127.0.0.1:{port}", "-loggerLevel=ERROR", "-retentionPeriod=5"],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        until(lambda: self.asked("/health") == "OK")

    def asked(self, path, **values):
        try:
            query = urllib.parse.urlencode(values)
            with urllib.request.urlopen(f"{self.url}{path}?{query}", timeout=5) as answer:
                return answer.read().decode()
        except OSError:
            return ""

    def of(self, measurement, station):
        """(value, time ms) by field, and the tags; VictoriaMetrics joins measurement and field."""
        self.asked("/internal/force_flush")
        match = f'{{__name__=~"{measurement}_.*",station="{station}"}}'
        series = [
            json.loads(line) for line in self.asked("/api/v1/export", **{"match[]": match}).splitlines()
        ]
        return {
            one["metric"]["__name__"].removeprefix(f"{measurement}_"): (
                list(zip(one["values"], one["timestamps"], strict=True)),
                {key: value for key, value in one["metric"].items() if key != "__name__"},
            )
            for one in series
        }


@pytest.fixture
def points(tmp_path):
    (tmp_path / "token").write_text("any")
    made = Points(tmp_path)
    yield made
    made.process.terminate()
    made.process.wait(20)


def to(points, tmp_path):
    return {"url": points.url, "org": "o", "bucket": "b", "token_file": str(tmp_path / "token")}


def test_alerts_and_their_ends_become_points(points, tmp_path, room):
    running = room(influxdb=to(points, tmp_path))
    alert = running.desk.raised(verdict("elm"))
    until(lambda: "confidence" in points.of("steadyhead_alert", "elm"), 40)
    found = points.of("steadyhead_alert", "elm")
    values, tags = found["confidence"]
    assert values == [(0.8, RAISED_S * 1000)]
    assert (tags["station"], tags["condition"]) == ("elm", "drift")
    assert found["magnitude_departure_kpa"][0] == [(12.0, RAISED_S * 1000)]
    assert found["is_true"][0] == [(1, RAISED_S * 1000)]
    running.desk.cleared(alert.alert_id, RAISED_S + 1800)
    until(lambda: "ended_s" in points.of("steadyhead_alert", "elm"), 40)
    found = points.of("steadyhead_alert", "elm")
    assert found["ended_s"][0] == [(RAISED_S + 1800, RAISED_S * 1000)]
    # InfluxDB replaces a point of the same time; VictoriaMetrics keeps both
    assert (0, RAISED_S * 1000) in found["is_true"][0]
    assert running.outward.errors == {}


def test_learned_figures_become_points_and_a_new_profile_another(points, tmp_path, room, monkeypatch):
    monkeypatch.setattr("steadyhead.outward.influx.PROFILES_S", 0.5)
    start_s = RAISED_S // 86400 * 86400 - 40 * 86400
    asked = Asked(name="elm", days=30, interval_s=900, start_s=start_s)
    readings = simulate(asked.scenario()).readings
    registry = parse_registry(REGISTRY.replace("step_s: 60", "step_s: 900").replace(
        "tags: {", "tags: {inlet: {tag: in, unit: kPa}, flow: {tag: q, unit: L/s}, "))  # fmt: skip
    known = service.known(registry.stations["elm"], Settings())
    first = learn(readings.between(start_s + 3600, start_s + 15 * 86400), known)
    save_profile(tmp_path / "p", first)
    running = room(registry, influxdb=to(points, tmp_path))
    until(lambda: "set_pressure_typical_kpa" in points.of("steadyhead_profile", "elm"), 40)
    found = points.of("steadyhead_profile", "elm")
    assert {name.split("_")[0] for name in found} >= {"set", "droop", "scatter", "kv", "from"}
    for name, value in (
        ("set_pressure_typical_kpa", first.set_pressure.typical_kpa), ("from_s", first.from_s),
    ):  # fmt: skip
        assert found[name][0] == [(pytest.approx(value), first.to_s * 1000)]
    assert 380 < found["set_pressure_typical_kpa"][0][0][0] < 420  # the plant is set to 400 kPa
    assert points.of("steadyhead_profile", "oak") == {}
    second = learn(readings.between(start_s + 15 * 86400, start_s + 30 * 86400), known)
    save_profile(tmp_path / "p", second)
    until(lambda: len(points.of("steadyhead_profile", "elm")["from_s"][0]) == 2, 40)
    told = points.of("steadyhead_profile", "elm")["from_s"][0]
    assert told == [(first.from_s, first.to_s * 1000), (second.from_s, second.to_s * 1000)]
    assert running.outward.errors == {}


def test_a_token_that_may_not_write_and_a_server_that_is_not_there_are_said(tmp_path, room):
    server = FluxServer([])
    (tmp_path / "token").write_text("hush-4711")
    block = {"url": server.url, "org": "o", "bucket": "b", "token_file": str(tmp_path / "token")}
    running = room(influxdb=block)
    running.desk.raised(verdict("elm"))
    try:
        until(lambda: "does not accept the token (401" in running.outward.errors.get("influxdb", ""))
        assert "token_file" in running.outward.errors["influxdb"]
    finally:
        server.stop()
    until(lambda: "cannot be reached" in running.outward.errors.get("influxdb", ""), 60)
    assert "hush-4711" not in str(running.outward.errors)
