"""MQTT against a real Mosquitto: 3.1.1 and 5, restarts, kills, what is handed over twice, Sparkplug B."""

import json
import random
import subprocess
import threading
import time

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import MqttSettings
from steadyhead.feeds.sparkplug import PayloadMessage

from .conftest import Broker, program
from .feed_bench import MAPPING, FeedService, rows, until, value, wanted

TOPICS = MAPPING.replace("WW.{station}.", "ww/{station}/")


class Publisher:
    """Somebody who publishes, with quality of service 1, and waits until the broker has it."""

    def __init__(self, broker):
        self.client = paho.Client(CallbackAPIVersion.VERSION2, client_id="plant")
        self.client.max_inflight_messages_set(500)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()

    def send(self, messages, *, retain=False):
        infos = [self.client.publish(topic, body, qos=1, retain=retain) for topic, body in messages]
        for info in infos:
            info.wait_for_publish(20)
            assert info.is_published()

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def as_messages(made):
    for at, tag, number in made:
        topic = tag.replace("WW.", "ww/").replace(".", "/")
        yield topic, json.dumps({"time": at, "value": number, "quality": "good"})


@pytest.fixture(autouse=True)
def _quick_tries(monkeypatch):
    """Pauses that do not grow long while a test waits."""
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.2)


def block(broker, **more):
    lines = "".join(f"{key}: {value}\n" for key, value in more.items())
    return f"kind: mqtt\nhost: 127.0.0.1\nport: {broker.port}\ntopics: [ww/#]\n{lines}"


@pytest.fixture
def recent_rows():
    """Rows of just now, since a broker brings what is new."""
    now = int(time.time()) // 60 * 60
    return lambda n, step_s=1: list(rows(n, step_s=step_s, start_s=now - n * step_s))


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_messages_come_in_once_and_unchanged(broker, tmp_path, recent_rows, version):
    made = recent_rows(300)
    service = FeedService(tmp_path / "s", block(broker, version=f'"{version}"'), TOPICS)
    service.open()
    service.listen()
    publisher = Publisher(broker)
    try:
        publisher.send(as_messages(made))
        service.wait_for(len(made))
    finally:
        publisher.close()
        service.close()
    assert service.journal() == wanted(made)


def test_a_broker_that_restarts_in_the_middle_loses_and_repeats_nothing(broker, tmp_path, recent_rows):
    made = recent_rows(400)
    service = FeedService(tmp_path / "s", block(broker), TOPICS)
    service.open()
    service.listen()
    try:
        for part in (made[:900], made[900:1700], made[1700:]):
            publisher = Publisher(broker)
            publisher.send(as_messages(part))
            publisher.close()
            broker.stop()
            until(lambda: service.state().state == "error")
            assert "tried again" in service.state().error
            broker.start()
        service.wait_for(len(made))
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_a_service_killed_again_and_again_loses_and_repeats_nothing(broker, tmp_path, recent_rows):
    made = recent_rows(600)
    service = FeedService(tmp_path / "s", block(broker), TOPICS)
    service.spawn()
    until(lambda: " as steadyhead " in (broker.folder / "log").read_text())
    time.sleep(1.0)  # for its subscription
    publisher = Publisher(broker)
    luck = random.Random(2)
    messages, at = list(as_messages(made)), 0
    while at < len(messages):
        n = luck.randrange(100, 900)
        publisher.send(messages[at : at + n])
        at += n
        time.sleep(luck.random() * 0.05)
        service.kill()
        service.spawn()
    publisher.close()
    try:
        service.wait_for(len(made))
        time.sleep(1.0)
    finally:
        service.kill()
    assert service.journal() == wanted(made)


def test_the_same_messages_sent_twice_count_once(broker, tmp_path, recent_rows):
    made = recent_rows(50)
    service = FeedService(tmp_path / "s", block(broker), TOPICS)
    service.open()
    service.listen()
    publisher = Publisher(broker)
    try:
        publisher.send([*as_messages(made), *as_messages(made)])
        service.wait_for(len(made))
        time.sleep(0.5)
    finally:
        publisher.close()
        service.close()
    assert service.accepted() == len(made)


def test_what_cannot_be_read_is_refused_with_its_topic(broker, tmp_path):
    service = FeedService(tmp_path / "s", block(broker), TOPICS)
    service.open()
    service.listen()
    publisher = Publisher(broker)
    now = time.time()
    try:
        publisher.send(
            [
                ("ww/elm_street/PIN", '{"reading": 6.0}'),
                ("ww/elm_street/POUT", b"\xff\xfe"),
                ("ww/elm_street/POUT", json.dumps({"time": "yesterday", "value": 4.0})),
                ("ww/elm_street/FLOW", json.dumps({"time": now, "value": "n/a"})),
                ("ww/elm_street/battery", "3.6"),
                ("ww/elm_street/PIN", json.dumps({"time": now + 7200, "value": 6.0})),
                ("ww/mill_lane/PIN", "6.25"),
            ]
        )
        until(lambda: service.accepted() == 1 and len(service.refusals()) == 4)
    finally:
        publisher.close()
        service.close()
    refused = service.refusals()
    assert {why: n for why, (n, _) in refused.items()} == {
        "bad_item": 3, "not_a_number": 1, "unknown_tag": 1, "future_time": 1,
    }  # fmt: skip
    assert "message on ww/elm_street/" in refused["bad_item"][1]
    assert [number for (_, _, _, number) in service.journal()] == [625.0]


def test_a_wrong_password_and_a_topic_that_is_not_ours(tmp_path):
    folder = tmp_path / "broker"
    folder.mkdir()
    subprocess.run(
        [program("mosquitto_passwd", "mosquitto"), "-c", "-b", str(folder / "users"), "reader", "right"],
        check=True,
    )
    broker = Broker(folder, more=f"password_file {folder}/users\n")
    broker.start()
    (tmp_path / "secret").write_text("wrong\n")
    settings = {
        "kind": "mqtt", "mapping": "m", "host": "127.0.0.1", "port": broker.port, "topics": ["ww/#"],
        "username": "reader", "password_file": str(tmp_path / "secret"),
    }  # fmt: skip
    try:
        for version in ("3.1.1", "5"):
            connector = open_connector(
                "broker", MqttSettings.model_validate({**settings, "version": version})
            )
            with pytest.raises(FeedError, match=r"does not let us in .*mend username, password_file"):
                connector.sample(1.0)
        (tmp_path / "secret").write_text("right\n")
        connector = open_connector("broker", MqttSettings.model_validate(settings))
        assert len(connector.sample(0.3)) == 0
    finally:
        broker.stop()
    with pytest.raises(FeedError, match="cannot be reached"):
        connector.sample(0.3)


def sparkplug(metrics, at_ms, **more):
    """A payload as a node sends it; written with the library's own encoder."""
    message = PayloadMessage(timestamp=at_ms, **more)
    for one in metrics:
        quality = one.pop("quality", None)
        metric = message.metrics.add(**one)
        if quality is not None:
            metric.properties.keys.append("Quality")
            metric.properties.values.add(type=3, int_value=quality)
    return message.SerializeToString()


def test_sparkplug_births_aliases_qualities_and_numbers(broker, tmp_path):
    mapping = TOPICS.replace("ww/{station}/", "Marrow/edge1/{station}/")
    service = FeedService(
        tmp_path / "s", block(broker, payload="sparkplug").replace("ww/#", "spBv1.0/Marrow/#"), mapping
    )
    service.open()
    service.listen()
    publisher = Publisher(broker)
    now_ms = int(time.time()) * 1000 - 60_000
    base = "spBv1.0/Marrow/{}/edge1/elm_street"
    try:
        data = [
            {"alias": 1, "float_value": 6.25, "datatype": 9},
            {"alias": 2, "double_value": 4.125, "datatype": 10},
            {"alias": 9, "float_value": 1.0, "datatype": 9},
        ]  # fmt: skip
        publisher.send([(base.format("DDATA"), sparkplug([dict(one) for one in data], now_ms - 1000))])
        birth = [
            {"name": "PIN", "alias": 1, "float_value": 6.1, "datatype": 9},
            {"name": "POUT", "alias": 2, "double_value": 4.0, "datatype": 10},
            {"name": "FLOW", "alias": 3, "int_value": 36, "datatype": 3},
            {"name": "Properties/Model", "string_value": "x", "datatype": 12},
        ]
        publisher.send([(base.format("DBIRTH"), sparkplug(birth, now_ms))])
        publisher.send([(base.format("DDATA"), sparkplug(data, now_ms + 1000))])
        more = [
            {"alias": 3, "int_value": (1 << 32) - 36, "datatype": 3},  # -36 as Int32
            {"alias": 1, "float_value": 6.3, "datatype": 9, "quality": 500},
            {"alias": 2, "is_null": True, "datatype": 10},
        ]
        publisher.send([(base.format("DDATA"), sparkplug(more, now_ms + 2000))])
        until(lambda: service.accepted() >= 6)
    finally:
        publisher.close()
        service.close()
    at = now_ms // 1000
    assert dict(service.journal()) == {
        ("elm_street", "inlet", at, 610.0): 1, ("elm_street", "outlet", at, 400.0): 1,
        ("elm_street", "flow", at, 10.0): 1, ("elm_street", "inlet", at + 1, 625.0): 1,
        ("elm_street", "outlet", at + 1, 412.5): 1, ("elm_street", "flow", at + 2, -10.0): 1,
    }  # fmt: skip
    refused = service.refusals()
    assert refused["bad_quality"][0] == 1
    assert refused["no_value"][0] == 1
    assert "alias that no birth" in refused["bad_item"][1]


def test_a_sample_of_nothing_but_what_cannot_be_read_says_so(broker):
    publisher = Publisher(broker)
    publisher.send([("ww/elm_street/PIN", "6.0"), ("ww/elm_street/POUT", "4.0")], retain=True)
    publisher.close()
    settings = {"kind": "mqtt", "mapping": "m", "host": "127.0.0.1", "port": broker.port, "topics": ["ww/#"]}
    connector = open_connector("broker", MqttSettings.model_validate({**settings, "payload": "sparkplug"}))
    said = (
        r"none of 2 messages could be read; the first: message on ww/elm_street/.* is no topic of Sparkplug B"
    )
    with pytest.raises(FeedError, match=said):
        connector.sample(2.0)


def test_one_message_of_more_readings_than_are_remembered_counts_once_after_a_kill(broker, tmp_path):
    """A birth of a large node, handed over again since the service was killed before it acknowledged."""
    names = [f"m{n}" for n in range(5000)]
    made = {"time": int(time.time()) - 30, "value": {name: n for n, name in enumerate(names)}}
    settings = MqttSettings.model_validate(
        {"kind": "mqtt", "mapping": "m", "host": "127.0.0.1", "port": broker.port, "topics": ["ww/#"]}
    )
    connector = open_connector("broker", settings)
    stop = threading.Event()
    bits = connector.live(None, stop)
    publisher = Publisher(broker)
    threading.Timer(1.0, lambda: publisher.send([("ww/big", json.dumps(made))])).start()
    first = next(bits)
    assert len(first.points) == 5000
    connector.close()  # kept, and not acknowledged: as a kill between the two
    again = open_connector("broker", settings)
    second = next(again.live(json.loads(json.dumps(first.position)), stop))
    assert len(second.points) == 0
    assert second.when_safe is not None
    second.when_safe()
    again.close()
    publisher.close()


def test_sparkplug_bytes_written_by_hand_from_the_specification():
    # Protocol Buffers wire format, by hand: 1 is a varint, 2 a metric of {1: "PIN", 3: time, 4: 10, 13: 4.5}
    from steadyhead.feeds.sparkplug import decode

    metric = b"\x0a\x03PIN" + b"\x18\xe8\x07" + b"\x20\x0a" + b"\x69" + b"\x00\x00\x00\x00\x00\x00\x12\x40"
    body = b"\x08\xd0\x0f" + b"\x12" + bytes([len(metric)]) + metric + b"\x18\x05"
    payload = decode(body)
    assert (payload.us, payload.seq) == (2_000_000, 5)
    assert [(m.name, m.us, m.value) for m in payload.metrics] == [("PIN", 1_000_000, 4.5)]
    assert value(0, "PIN", 0) == 6.0
