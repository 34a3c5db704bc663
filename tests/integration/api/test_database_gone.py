"""The database goes away while the service runs: PostgreSQL is really stopped and started again."""

import time

import pytest
from fastapi.testclient import TestClient
from running_room import WORDS, opened

from steadyhead.access.remembered import ASK_AGAIN_S
from steadyhead.api.app import make_app

HOST = "http://127.0.0.1:8470"


def items(n):
    now_s = int(time.time())
    return [
        {"station": "elm_street", "role": "outlet", "time": now_s - 60 * k, "value": 400.0} for k in range(n)
    ]


@pytest.fixture
def room(tmp_path, postgres_url):
    found = opened(tmp_path, database_url=postgres_url)
    found.accounts.create("adam", "administrator", WORDS)
    return found


def test_readings_are_taken_and_everything_else_says_why_not(room, postgres_server):
    push = {"Authorization": f"Bearer {room.accounts.make_token('h', 'write_readings', 'adam').secret}"}
    read = {"Authorization": f"Bearer {room.accounts.make_token('board', 'read', 'adam').secret}"}
    never_seen = {"Authorization": f"Bearer {room.accounts.make_token('new', 'read', 'adam').secret}"}
    with TestClient(make_app(room), base_url=HOST, client=("127.0.0.1", 1)) as client:
        assert client.post("/api/v1/readings", json=items(2), headers=push).status_code == 200
        assert client.get("/api/v1/alerts", headers=read).status_code == 200
        postgres_server.stop()
        try:
            answer = client.post("/api/v1/readings", json=items(3), headers=push)
            assert answer.status_code == 200, answer.text
            assert answer.json()["accepted"] == 3
            answer = client.get("/api/v1/alerts", headers=read)
            assert answer.status_code == 503
            assert answer.json()["type"] == "urn:steadyhead:problem:database-unavailable"
            assert "cannot be reached" in answer.json()["detail"]
            assert "password" not in answer.json()["detail"].replace("name and password", "")
            assert postgres_server.password not in answer.text
            assert answer.headers["retry-after"] == "10"
            assert client.get("/api/v1/alerts", headers=never_seen).status_code == 503
            ready = client.get("/readyz")
            assert ready.status_code == 503
            assert any(reason.startswith("database: ") for reason in ready.json()["reasons"])
            assert client.get("/healthz").status_code == 200
            assert client.get("/metrics").status_code == 200
        finally:
            postgres_server.start()
        time.sleep(ASK_AGAIN_S)
        assert client.get("/api/v1/alerts", headers=never_seen).status_code == 200
        ends = time.monotonic() + 60
        while client.get("/readyz").status_code != 200:
            assert time.monotonic() < ends, client.get("/readyz").text
            time.sleep(0.5)
