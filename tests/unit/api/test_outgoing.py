"""What goes out to people and programs, and what could not: over HTTP, in metrics and on pages."""

from types import SimpleNamespace

import pytest
from api_room import HOST, NOW_S, sign_in
from fastapi.testclient import TestClient

from steadyhead.api.app import make_app
from steadyhead.notify.settings import NotifySettings
from steadyhead.outward.settings import OutSettings
from steadyhead.store.tables import AuditRow, OutboxRow

CHANNELS = {"web_hooks": {"desk": {"url": "https://hooks.test/steadyhead"}}}
WAYS = {
    "mqtt": {"host": "broker.test"},
    "influxdb": {"org": "o", "bucket": "b", "token_file": "token"},
}


def message(n, **given):
    usual = {
        "key": f"k{n}", "channel": "desk", "alert_id": "0f3c5a9e1b7d2468", "change": "raised",
        "payload": {"alert": {"station": "elm_street"}}, "made_s": NOW_S - 90_000, "due_s": NOW_S - 600,
        "tries": 0, "sent_s": None, "gave_up_s": None, "last_error": None,
    }  # fmt: skip
    return OutboxRow(**{**usual, **given})


@pytest.fixture
def out(made):
    """Two messages given up, one that is tried, one sent; a broker that cannot be reached."""
    made.room.settings.notify = NotifySettings.model_validate(CHANNELS)
    made.room.settings.alerts_out = OutSettings.model_validate(WAYS)
    made.room.outward.errors["mqtt"] = "alerts_out: MQTT broker.test:1883 cannot be reached; check host"
    lost = {"gave_up_s": NOW_S - 3600, "tries": 31, "last_error": "answered 500"}
    with made.database.session() as session:
        session.add_all([
            message(1, **lost), message(2, **lost, change="cleared"),
            message(3, tries=2, last_error="answered 500"), message(4, sent_s=NOW_S - 60, tries=1),
            message(5, change="gathered", payload={"members": [1, 2]}, **lost),
        ])  # fmt: skip
    return made


def metric(client, line):
    found = [row for row in client.get("/metrics").text.splitlines() if row.startswith(line + " ")]
    return float(found[0].split(" ")[-1])


def test_what_was_given_up_is_told_counted_and_seen_to_by_name(out, as_role, anybody):
    viewer, operator = as_role("viewer"), as_role("operator")
    told = viewer.get("/api/v1/notifications").json()
    [channel] = told["channels"]
    assert (channel["sent"], channel["waiting"], channel["failing"], channel["given_up"]) == (1, 1, 1, 2)
    assert [(one["station"], one["change"], one["tries"], one["why"]) for one in told["given_up"]] == [
        ("elm_street", "cleared", 31, "answered 500"), ("elm_street", "raised", 31, "answered 500"),
    ]  # fmt: skip
    assert told["given_up_unseen"] == 2
    assert "tell them yourself" in told["what_to_do"]
    assert told["out"] == [
        {"way": "mqtt", "works": False, "error": out.room.outward.errors["mqtt"]},
        {"way": "influxdb", "works": True, "error": None},
    ]
    assert metric(anybody, 'steadyhead_notifications{channel="desk",kind="failing"}') == 1
    assert metric(anybody, 'steadyhead_notifications_given_up_total{channel="desk"}') == 2
    assert metric(anybody, "steadyhead_notifications_given_up_unseen") == 2
    assert metric(anybody, 'steadyhead_notification_oldest_seconds{channel="desk"}') == 600
    assert metric(anybody, 'steadyhead_alerts_out_works{way="mqtt"}') == 0
    assert metric(anybody, 'steadyhead_alerts_out_works{way="influxdb"}') == 1

    assert viewer.post("/api/v1/notifications/seen").status_code == 403
    assert operator.post("/api/v1/notifications/seen").json() == {"seen": 2}
    after = viewer.get("/api/v1/notifications").json()
    assert (after["given_up_unseen"], after["seen_by"], after["what_to_do"]) == (0, "olaf", None)
    assert len(after["given_up"]) == 2, "they stay listed"
    assert metric(anybody, "steadyhead_notifications_given_up_unseen") == 0
    assert metric(anybody, 'steadyhead_notifications_given_up_total{channel="desk"}') == 2
    with out.database.reading() as session:
        [line] = session.query(AuditRow).where(AuditRow.what == "given_up_seen")
        assert (line.who, line.details["n"]) == ("olaf", 2)

    out.clock.now_s += 60
    with out.database.session() as session:
        session.add(message(6, gave_up_s=NOW_S + 60, tries=1, last_error="answered 500"))
    assert operator.post("/api/v1/notifications/seen").json() == {"seen": 0}, "given up in this very second"
    out.clock.now_s += 1
    assert viewer.get("/api/v1/notifications").json()["given_up_unseen"] == 1
    assert operator.post("/api/v1/notifications/seen").json() == {"seen": 1}


def test_every_page_says_how_many_were_given_up_and_leads_to_what_to_do(out):
    with TestClient(make_app(out.room), base_url=HOST, client=("127.0.0.1", 50001)) as client:
        sign_in(client, "olaf")
        first = client.get("/").text
        assert "2 messages about alerts could not be delivered." in first
        assert 'href="/feeds#h-out"' in first
        page = client.get("/feeds").text
        for said in (
            "2 messages about alerts were given up", "tell them yourself", "does not take messages",
            "answered 500", 'href="/alerts/0f3c5a9e1b7d2468"', "broker.test:1883 cannot be reached",
            "is told of every alert",
        ):  # fmt: skip
            assert said in page, said
        csrf = page.split('name="csrf" value="')[1].split('"')[0]
        gone = client.post("/feeds/given-up/seen", data={"csrf": csrf}, follow_redirects=False)
        assert gone.headers["location"] == "/feeds?said=seen_to"
        page = client.get("/feeds").text
        assert "Last seen to by olaf" in page
        assert "could not be delivered" not in page
        sign_in(client, "vera")
        out.room.settings = SimpleNamespace(**{**vars(out.room.settings), "notify": NotifySettings()})
        assert "They have been seen to" not in client.get("/feeds").text
