"""Settings of the service as a person meets them: a latching condition, and who shares the calls."""

import time

import pytest
from fastapi.testclient import TestClient
from running_room import WORDS, opened

from steadyhead.access import passwords
from steadyhead.access.secrets import csrf_of
from steadyhead.alerts.model import Verdict
from steadyhead.api.app import make_app

HOST = "http://127.0.0.1:8470"


@pytest.fixture
def room(tmp_path, monkeypatch):
    monkeypatch.setattr(passwords, "MEMORY_KIB", 64)
    found = opened(tmp_path, latching=["failure_to_close"], operators=3)
    found.accounts.create("olga", "operator", WORDS)
    return found


@pytest.fixture
def operator(room):
    secret = room.accounts.login("olga", WORDS)
    with TestClient(make_app(room), base_url=HOST, follow_redirects=False) as client:
        client.cookies.set("steadyhead_session", secret)
        client.headers["X-CSRF-Token"] = csrf_of(secret)
        yield client


def over(room, condition, raised_s):
    """An alert that was raised and has cleared; its id."""
    alert = room.desk.raised(
        Verdict(
            station="elm_street", condition=condition, confidence=0.9, runners_up=(),
            magnitude={"departure_kpa": 80.0}, evidence=("The outlet is 80 kPa high.",),
            began_s=raised_s - 60, raised_s=raised_s, ended_s=None, updated_s=raised_s, profile_version="p",
            window_s=(raised_s - 60, raised_s),
        )
    )  # fmt: skip
    room.desk.cleared(alert.alert_id, raised_s + 600)
    return alert.alert_id


def told(answer, status=200):
    assert answer.status_code == status, answer.text
    return answer.json()


def test_what_latches_stays_until_it_is_acknowledged_and_reset(room, operator):
    now_s = int(time.time())
    latched, plain = over(room, "failure_to_close", now_s - 7200), over(room, "drift", now_s - 7200)
    path = f"/api/v1/alerts/{latched}"
    assert told(operator.get(path))["alert"]["state"] == "latched_unacknowledged"
    assert told(operator.get(f"/api/v1/alerts/{plain}"))["alert"]["state"] == "returned_unacknowledged"
    early = told(operator.post(f"{path}/reset", json={}), 409)
    assert "nobody has acknowledged it" in early["detail"]
    shown = told(operator.post(f"{path}/acknowledge", json={"note": "pipe walked"}))
    assert shown["alert"]["state"] == "latched_acknowledged"
    assert shown["is_standing"]
    assert shown["may"] == ["reset", "shelve"]

    page = operator.get(f"/alerts/{latched}")
    assert f'action="/alerts/{latched}/reset"' in page.text
    assert "Over, kept until reset" in page.text
    done = operator.post(f"/alerts/{latched}/reset", data={"note": "no damage found"})
    assert done.headers["location"] == f"/alerts/{latched}?said=reset"
    assert "olga reset it: no damage found" in operator.get(f"/alerts/{latched}").text
    assert told(operator.get(path))["alert"]["state"] == "normal"
    again = told(operator.post(f"{path}/reset", json={}), 409)
    assert "cannot be reset: it is normal" in again["detail"]
    standing = told(operator.get("/api/v1/alerts?standing=true"))["items"]
    assert [item["alert"]["alert_id"] for item in standing] == [plain]


def test_the_calls_are_shared_among_the_operators_that_the_settings_name(room, operator):
    over(room, "drift", int(time.time()) - 7200)
    load = told(operator.get("/api/v1/load"))
    assert load["operators"] == 3
    assert "3 operators" in operator.get("/load").text
