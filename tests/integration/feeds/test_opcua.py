"""OPC UA against an asyncua server with history, which is stopped and killed in the middle."""

import time

import pytest

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import OpcUaSettings

from .certificates import certificate
from .feed_bench import MAPPING, START_S, FeedService, rows, until, wanted
from .opcua_plant import PlantServer

BAD, UNCERTAIN = 0x803C0000, 0x40F20000  # severities of OPC 10000-4, 7.39


@pytest.fixture(autouse=True)
def _quick_tries(monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.3)


@pytest.fixture
def plant(tmp_path):
    servers = []

    def start(n_steps, how="open"):
        servers.append(PlantServer(tmp_path / "server", n_steps, how))
        servers[-1].start()
        return servers[-1]

    yield start
    for server in servers:
        server.kill()


def block(server, **more):
    lines = "".join(f"{key}: {value}\n" for key, value in more.items())
    return f"kind: opcua\nurl: {server.url}\nfolder: ns=2;i=1\npublish_s: 0.1\nper_read: 700\n{lines}"


def settings(server, **more):
    return OpcUaSettings.model_validate({"kind": "opcua", "mapping": "m", "url": server.url, **more})


def test_stored_values_come_in_page_by_page_once_and_unchanged(plant, tmp_path):
    server = plant(2000)
    made = list(rows(2000))
    service = FeedService(tmp_path / "s", block(server, backfill_from="2025-07-01"), MAPPING)
    service.open()
    try:
        service.wait_for(len(made))
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_live_values_and_what_was_missed_while_the_server_was_away(plant, tmp_path):
    server = plant(1)
    service = FeedService(tmp_path / "s", block(server, look_back_s=120), MAPPING)
    service.open()
    until(lambda: service.state().state == "ok")
    time.sleep(1.5)
    now = int(time.time())
    live = [("WW.elm_street.PIN", now + n, 6.0 + n / 100, 0) for n in range(-30, 0)]
    try:
        for one in live[:15]:
            server.write([one])
            time.sleep(0.02)
        service.wait_for(15)
        server.kill()
        until(lambda: service.state().state == "error")
        assert "tried again" in service.state().error
        server.start()
        server.write(live[15:])
        service.wait_for(30)
        time.sleep(0.5)
    finally:
        service.close()
    assert service.journal() == wanted([(at, tag, number) for tag, at, number, _ in live])


def test_a_status_code_becomes_a_quality(plant, tmp_path):
    server = plant(1)
    service = FeedService(tmp_path / "s", block(server), MAPPING)
    service.open()
    until(lambda: service.state().state == "ok")
    time.sleep(1.5)
    now = int(time.time()) - 10
    try:
        server.write([("WW.elm_street.PIN", now, 6.0, BAD)])
        server.write([("WW.elm_street.POUT", now, 4.0, UNCERTAIN)])
        server.write([("WW.elm_street.FLOW", now, 36.0, 0)])
        service.wait_for(1)
        until(lambda: {"bad_quality", "uncertain_quality"} <= set(service.refusals()))
    finally:
        service.close()
    assert set(service.refusals()) == {"bad_quality", "uncertain_quality", "unknown_tag"}
    assert list(service.journal()) == [("elm_street", "flow", now, 10.0)]


def test_signed_and_encrypted_with_certificates(plant, tmp_path):
    folder = tmp_path / "server"
    folder.mkdir()
    certificate(folder, "server", "urn:plant:server")
    certificate(folder, "client", "urn:steadyhead:client")
    certificate(folder, "stranger", "urn:steadyhead:client")
    server = plant(5, "secure")
    files = {"certificate_file": str(folder / "client.der"), "key_file": str(folder / "client.pem")}
    connector = open_connector(
        "plant", settings(server, folder="ns=2;i=1", security="Basic256Sha256", **files)
    )
    points = connector.fetch(START_S * 1_000_000, (START_S + 600) * 1_000_000)
    connector.close()
    assert len(points) == 30
    plain = open_connector("plant", settings(server, folder="ns=2;i=1"))
    with pytest.raises(FeedError, match="security"):
        plain.fetch(START_S * 1_000_000, (START_S + 600) * 1_000_000)
    plain.close()


def test_unknown_nodes_history_that_is_not_kept_and_servers_that_are_not_there(plant):
    server = plant(1)
    span = (START_S * 1_000_000, (START_S + 600) * 1_000_000)
    for more, said in (
        ({"nodes": ["ns=2;s=nothing"]}, 'there is no node "ns=2;s=nothing".*mend nodes'),
        ({"nodes": ["rubbish"]}, 'there is no node "rubbish"'),
        ({"folder": "ns=2;s=nowhere"}, "there is no folder"),
        ({"nodes": ["ns=2;i=99"]}, "keeps no history|history: false"),
    ):
        connector = open_connector("plant", settings(server, **more))
        with pytest.raises(FeedError, match=said):
            connector.fetch(*span)
        connector.close()
    server.kill()
    connector = open_connector("plant", settings(server, folder="ns=2;i=1", timeout_s=2))
    with pytest.raises(FeedError, match=r"cannot be reached .*; check url and the network"):
        connector.fetch(*span)
    connector.close()
