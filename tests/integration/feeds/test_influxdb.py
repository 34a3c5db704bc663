"""InfluxDB 2: what goes wrong in the middle, by a server that answers as documented and fails when told."""

import re

import pytest

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import InfluxFeedSettings

from .feed_bench import MAPPING, START_S, FeedService, rows, until, wanted
from .influx_server import FluxServer

INFLUX = MAPPING.replace("WW.{station}.", "telemetry.{station}.")


@pytest.fixture(autouse=True)
def _quick_tries(monkeypatch):
    monkeypatch.setattr("steadyhead.feeds.connector.BackOff.next_s", lambda self: 0.2)


def as_series(made):
    return [(at, "telemetry", tag.split(".")[1], tag.split(".")[2], number) for at, tag, number in made]


@pytest.fixture
def serving():
    servers = []

    def start(made):
        servers.append(FluxServer(as_series(made)))
        return servers[-1]

    yield start
    for server in servers:
        server.stop()


def block(server, tmp_path, **more):
    (tmp_path / "s").mkdir(exist_ok=True)
    (tmp_path / "s" / "token").write_text(more.pop("token", "right") + "\n")
    lines = "".join(f"{key}: {value}\n" for key, value in more.items())
    return (
        f"kind: influxdb\nurl: {server.url}\norg: works\nbucket: plant\ntoken_file: token\npoll_s: 0.2\n"
        f'tag: "{{measurement}}.{{site}}.{{field}}"\nbackfill_from: 2025-07-01\n{lines}'
    )


def test_stored_readings_come_in_once_and_unchanged(serving, tmp_path):
    made = list(rows(3000))
    service = FeedService(tmp_path / "s", block(serving(made), tmp_path), INFLUX)
    service.open()
    try:
        service.wait_for(len(made))
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_a_token_that_expires_and_is_renewed_in_its_file(serving, tmp_path):
    made = list(rows(5000))
    server = serving(made)
    service = FeedService(tmp_path / "s", block(server, tmp_path), INFLUX)
    service.open()
    try:
        service.wait_for(1)
        server.token = "renewed"
        until(lambda: service.state().state == "error" or service.accepted() == len(made))
        if service.accepted() < len(made):
            assert "does not accept the token (401 unauthorized access)" in service.state().error
            assert "token_file" in service.state().error
        else:
            until(lambda: service.state().state == "error")
        (tmp_path / "s" / "token").write_text("renewed\n")
        service.wait_for(len(made))
        until(lambda: service.state().state == "ok")
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_a_server_that_drops_in_the_middle_of_an_answer(serving, tmp_path):
    made = list(rows(4000))
    server = serving(made)
    server.break_after = 30_000
    service = FeedService(tmp_path / "s", block(server, tmp_path), INFLUX)
    service.open()
    try:
        service.wait_for(len(made))
    finally:
        service.close()
    assert server.break_after is None
    assert service.journal() == wanted(made)


def test_a_wrong_token_bucket_or_place_is_said(serving, tmp_path):
    server = serving(list(rows(3)))
    (tmp_path / "token").write_text("hush-4711")
    settings = {
        "kind": "influxdb",
        "mapping": "m",
        "url": server.url,
        "org": "works",
        "bucket": "plant",
        "token_file": str(tmp_path / "token"),
    }
    span = (START_S * 1_000_000, (START_S + 600) * 1_000_000)

    def said(**more):
        connector = open_connector("plant", InfluxFeedSettings.model_validate({**settings, **more}))
        try:
            with pytest.raises(FeedError) as met:
                connector.fetch(*span)
        finally:
            connector.close()
        assert "hush-4711" not in str(met.value)
        return str(met.value)

    assert "does not accept the token" in said()
    (tmp_path / "token").write_text("right")
    assert 'could not find bucket "nothing"' in said(bucket="nothing")
    assert re.search(r"cannot be reached .*; check url", said(url="http://127.0.0.1:1"))
    assert "cannot be filled in" in said(tag="{measurement")
    assert "the token cannot be read (No such file or directory); mend" in said(
        token_file=str(tmp_path / "none")
    )
    (tmp_path / "token").write_text("")
    assert "is empty" in said()


def test_numbers_texts_and_counts_keep_their_kinds(serving, tmp_path):
    server = serving([])
    server.data = [
        (START_S, "telemetry", "elm_street", "PIN", 6.25),
        (START_S, "telemetry", "elm_street", "FLOW", 36),
        (START_S, "telemetry", "elm_street", "POUT", "I/O fail"),
        (START_S, "other", "elm_street", "PIN", 1.0),
    ]
    service = FeedService(tmp_path / "s", block(server, tmp_path, measurement="telemetry"), INFLUX)
    service.open()
    try:
        service.wait_for(2)
        until(lambda: "not_a_number" in service.refusals())
    finally:
        service.close()
    assert sorted(service.journal()) == [
        ("elm_street", "flow", START_S, 10.0),
        ("elm_street", "inlet", START_S, 625.0),
    ]
