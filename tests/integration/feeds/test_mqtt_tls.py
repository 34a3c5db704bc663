"""MQTT over TLS against a real Mosquitto, with an authority, certificates and passwords made for the test."""

import json
import re
import subprocess
import time

import paho.mqtt.client as paho
import pytest
import trustme
from paho.mqtt.enums import CallbackAPIVersion

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import MqttSettings

from .alerts_bench import verdict
from .conftest import Broker, program
from .feed_bench import MAPPING, FeedService, rows, until, wanted
from .test_mqtt import as_messages

TOPICS = MAPPING.replace("WW.{station}.", "ww/{station}/")


@pytest.fixture(autouse=True)
def _quick_tries(monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.2)


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    """Files of two authorities, of the broker and of two clients."""
    folder = tmp_path_factory.mktemp("papers")
    ours, theirs = trustme.CA(), trustme.CA()
    ours.cert_pem.write_to_path(folder / "ca.pem")
    theirs.cert_pem.write_to_path(folder / "other_ca.pem")
    for name, authority, identity in (
        ("broker", ours, "127.0.0.1"), ("elsewhere", ours, "broker.works.example"),
        ("reader", ours, "reader@works.example"), ("stranger", theirs, "stranger@works.example"),
    ):  # fmt: skip
        made = authority.issue_cert(identity)
        made.private_key_pem.write_to_path(folder / f"{name}.key")
        for n, part in enumerate(made.cert_chain_pems):
            part.write_to_path(folder / f"{name}.pem", append=n > 0)
    for path in folder.iterdir():
        path.chmod(0o644)  # the broker may have given up its rights before it reads them
    folder.chmod(0o755)
    return folder


@pytest.fixture
def secured(tmp_path, papers):
    brokers = []

    def start(name="broker", *, asks_for_certificate=False):
        folder = tmp_path / "broker"
        folder.mkdir()
        subprocess.run(
            [program("mosquitto_passwd", "mosquitto"), "-c", "-b", str(folder / "users"), "reader", "right"],
            check=True,
        )
        more = f"cafile {papers}/ca.pem\ncertfile {papers}/{name}.pem\nkeyfile {papers}/{name}.key\n"
        more += f"password_file {folder}/users\n" + "require_certificate true\n" * asks_for_certificate
        brokers.append(Broker(folder, more=more))
        brokers[-1].start()
        return brokers[-1]

    (tmp_path / "secret").write_text("right\n")
    yield start
    for broker in brokers:
        broker.stop()


def settings(broker, papers, tmp_path, **more):
    return {
        "host": "127.0.0.1", "port": broker.port, "tls": True, "ca_file": str(papers / "ca.pem"),
        "username": "reader", "password_file": str(tmp_path / "secret"), **more,
    }  # fmt: skip


def publisher(broker, papers, *, with_certificate=False):
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id="plant")
    files = (str(papers / "reader.pem"), str(papers / "reader.key")) if with_certificate else ()
    client.tls_set(str(papers / "ca.pem"), *files)
    client.username_pw_set("reader", "right")
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    return client


@pytest.mark.parametrize("with_certificate", [False, True])
@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_readings_come_in_encrypted_with_user_and_password(
    secured, papers, tmp_path, version, with_certificate
):
    broker = secured(asks_for_certificate=with_certificate)
    made = list(rows(20, step_s=1, start_s=int(time.time()) - 60))
    ours = settings(broker, papers, tmp_path, version=f'"{version}"', topics='["ww/#"]')
    if with_certificate:
        ours |= {
            "certificate_file": str(papers / "reader.pem"),
            "key_file": str(papers / "reader.key"),
        }
    lines = "".join(f"{key}: {value}\n" for key, value in ours.items()).replace("True", "true")
    service = FeedService(tmp_path / "s", f"kind: mqtt\n{lines}", TOPICS)
    service.open()
    service.listen()
    client = publisher(broker, papers, with_certificate=with_certificate)
    try:
        for topic, body in as_messages(made):
            client.publish(topic, body, qos=1)
        service.wait_for(len(made))
    finally:
        client.disconnect()
        client.loop_stop()
        service.close()
    assert service.journal() == wanted(made)


@pytest.mark.parametrize(
    ("how", "more", "said"),
    [
        ({}, {"ca_file": "other_ca.pem"}, r"TLS failed \(.*certificate.*\); mend ca_file"),
        ({"name": "elsewhere"}, {}, r"TLS failed \(IP address mismatch.*mend host"),
        ({}, {"ca_file": "none.pem"}, r"a file for TLS cannot be used \(.*none.pem: .*mend ca_file"),
        ({}, {"certificate_file": "none.pem"}, r"cannot be used .*mend certificate_file or key_file"),
        ({}, {"password_file": "wrong"}, r"does not let us in \(Not authorized\); mend username"),
        ({"asks_for_certificate": True}, {}, "closed the connection at once .*name certificate_file and"),
        ({"asks_for_certificate": True}, {"certificate_file": "stranger.pem", "key_file": "stranger.key"},
         "closed the connection at once .*certificate_file and key_file .* or mend them"),
        ({}, {"tls": False}, "closed the connection at once .*set tls: true if it speaks TLS there"),
    ],
)  # fmt: skip
def test_what_keeps_us_out_is_said_by_the_feed_and_by_alerts_out(
    secured, papers, tmp_path, room, how, more, said
):
    broker = secured(**how)
    (papers / "wrong").write_text("wrong\n")
    more = {key: str(papers / value) if isinstance(value, str) else value for key, value in more.items()}
    ours = settings(broker, papers, tmp_path, **more)
    for version in ("3.1.1", "5"):
        feed = {"kind": "mqtt", "mapping": "m", "topics": ["ww/#"], "version": version, **ours}
        connector = open_connector("broker", MqttSettings.model_validate(feed))
        with pytest.raises(FeedError, match=said):
            connector.sample(2.0)
    running = room(mqtt=ours)
    until(lambda: "mqtt" in running.outward.errors)
    assert re.search(said, running.outward.errors["mqtt"])


def test_tls_to_a_port_that_speaks_none(broker, papers, tmp_path):
    (tmp_path / "secret").write_text("right\n")
    feed = {"kind": "mqtt", "mapping": "m", "topics": ["ww/#"], **settings(broker, papers, tmp_path)}
    connector = open_connector("broker", MqttSettings.model_validate(feed))
    said = r"cannot be reached .*check host, port and tls|TLS failed .*tls: false"
    with pytest.raises(FeedError, match=said):
        connector.sample(2.0)


def test_alerts_go_out_encrypted(secured, papers, tmp_path, room):
    broker = secured()
    running = room(mqtt=settings(broker, papers, tmp_path))
    running.desk.raised(verdict("elm"))
    heard = []
    client = publisher(broker, papers)
    client.on_message = lambda client, user, message: heard.append(json.loads(message.payload))
    client.subscribe("steadyhead/stations/elm/alerts", 1)
    try:
        until(lambda: any(one["alerts"] for one in heard))
    finally:
        client.disconnect()
        client.loop_stop()
    assert running.outward.errors == {}
