"""An engineer over HTTP on a real room: learn, see an alert, record a repair, prove it, learn again."""

import time

import numpy as np
import pytest
from fastapi.testclient import TestClient
from running_room import WORDS, opened

from steadyhead.access import passwords
from steadyhead.access.secrets import csrf_of
from steadyhead.alerts.model import Verdict
from steadyhead.api.app import make_app
from steadyhead.api.times import stamp
from steadyhead.readings.frame import regular

HOST = "http://127.0.0.1:8470"
DAY_S = 86_400
DAYS = 30


def log(to_s, low_from_s, low_to_s):
    """Thirty plain days; in a stretch of them the outlet is 30 kPa low."""
    rng = np.random.default_rng(4)
    n = DAYS * 1440
    times_s = to_s - 60 * n + 60 * np.arange(n)
    hour = (times_s % DAY_S) / 3600
    flow = 10 + 5 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.3, n)
    inlet = 650 + 15 * np.sin(hour / 24 * 2 * np.pi) + rng.normal(0, 1.0, n)
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.5, n)
    outlet[(times_s >= low_from_s) & (times_s < low_to_s)] -= 30
    return regular("elm_street", int(times_s[0]), 60, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.fixture
def now_s():
    return int(time.time()) // 60 * 60


@pytest.fixture
def room(tmp_path, now_s, monkeypatch):
    monkeypatch.setattr(passwords, "MEMORY_KIB", 64)
    found = opened(tmp_path)
    found.accounts.create("ella", "engineer", WORDS)
    found.archive.append(log(now_s, now_s - 8 * DAY_S, now_s - 4 * DAY_S))
    found.archive.flush()
    return found


@pytest.fixture
def engineer(room):
    secret = room.accounts.login("ella", WORDS)
    with TestClient(make_app(room), base_url=HOST) as client:
        client.cookies.set("steadyhead_session", secret)
        client.headers["X-CSRF-Token"] = csrf_of(secret)
        yield client


def told(answer, status=200):
    assert answer.status_code == status, answer.text
    return answer.json()


def test_the_way_of_an_engineer(engineer, room, now_s):
    span = {"from": stamp(now_s - DAYS * DAY_S), "to": stamp(now_s - 9 * DAY_S)}
    learned = told(engineer.post("/api/v1/profiles/elm_street", json=span))
    assert learned["replaced"] is None
    facts = {fact["name"]: fact["text"] for fact in learned["profile"]["facts"]}
    assert "400 kPa" in facts["Set pressure"]
    assert told(engineer.get("/api/v1/profiles/elm_street"))["version"] == learned["profile"]["version"]

    began_s = now_s - 8 * DAY_S
    alert = room.desk.raised(
        Verdict(
            station="elm_street", condition="drift", confidence=0.9, runners_up=(),
            magnitude={"departure_kpa": -30.0}, evidence=("The outlet is 30 kPa low.",), began_s=began_s,
            raised_s=began_s + 3600, ended_s=None, updated_s=began_s + 3600,
            profile_version=learned["profile"]["version"], window_s=(began_s, began_s + 3600),
        )
    )  # fmt: skip

    # By hand: the middle of the low days lies below the band that was learned, the days after in it.
    shown = told(
        engineer.get(f"/api/v1/stations/elm_street/series?from={now_s - 7 * DAY_S}&to={now_s}&points=100")
    )
    assert [mark["alert_id"] for mark in shown["alerts"]] == [alert.alert_id]
    outlet, band, ends = shown["channels"]["outlet_kpa"], shown["band"], shown["times_s"]
    checked = {"low": 0, "in": 0}
    for k, end in enumerate(ends):
        if outlet["mean"][k] is None:
            continue
        if end < now_s - 5 * DAY_S:
            assert outlet["high"][k] < band["low_kpa"][k]
            checked["low"] += 1
        elif end > now_s - 3 * DAY_S:
            assert band["low_kpa"][k] < outlet["mean"][k] < band["high_kpa"][k]
            checked["in"] += 1
    assert min(checked.values()) > 20

    asked = {
        "station": "elm_street", "condition": "drift", "alert_id": alert.alert_id,
        "cause_key": alert.likely_causes[0].key, "done": "pilot cleaned and set",
    }  # fmt: skip
    number = told(engineer.post("/api/v1/findings", json=asked), 201)["id"]
    early = told(engineer.post(f"/api/v1/findings/{number}/proofs"), 409)
    assert "record the repair first" in early["detail"]
    told(engineer.post(f"/api/v1/findings/{number}/repair", json={"repaired_at": stamp(now_s - 4 * DAY_S)}))
    proof = told(engineer.post(f"/api/v1/findings/{number}/proofs"), 201)
    assert proof["result"] == "pass", proof["sentences"]
    assert proof["sentences"]
    assert told(engineer.get("/api/v1/findings"))["items"][0]["proofs"][0]["id"] == proof["id"]

    assert proof["numbers"]["profile_version"] == learned["profile"]["version"]

    # learned anew over the fault: such a profile takes the fault for usual
    span = {"from": stamp(now_s - DAYS * DAY_S), "to": stamp(now_s - 2 * DAY_S)}
    again = told(engineer.post("/api/v1/profiles/elm_street", json=span))
    assert again["replaced"] == learned["profile"]["version"]
    assert again["changes"]
    proof = told(engineer.post(f"/api/v1/findings/{number}/proofs"), 201)
    assert proof["result"] == "pass", "compared with what was in force before the fault"
    assert proof["numbers"]["profile_version"] == learned["profile"]["version"]
    assert any(learned["profile"]["version"] in sentence for sentence in proof["sentences"])

    # who put which profile in use, and in place of which
    lines = told(engineer.get("/api/v1/stations/elm_street/history"))["items"]
    said = [(line["who"], line["sentence"]) for line in lines if line["what"] == "profile_in_use"]
    first, second = learned["profile"]["version"], again["profile"]["version"]
    assert said == [
        ("ella", f"ella put profile {second} in use in place of {first}."),
        ("ella", f"ella put profile {first} in use, the first of the station."),
    ]
    proofs = [line["sentence"] for line in lines if line["what"] == "repair_proved"]
    assert len(proofs) == 2
    assert set(proofs) == {f"ella compared before and after the repair: {proof['sentences'][0]}"}
    short = {"from": stamp(now_s - 3600), "to": stamp(now_s)}
    assert told(engineer.post("/api/v1/profiles/elm_street", json=short), 409)["type"].endswith(
        "cannot-learn"
    )
