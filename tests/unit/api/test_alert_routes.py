"""Alerts over HTTP: filters, order, pages, and what people do with one."""

import json

import jsonschema
import pytest
from api_room import NOW_S, verdict

from steadyhead.alerts.jsonlines import schema, to_json

CONDITIONS = ("drift", "creep", "hunting")


@pytest.fixture
def alerts(made):
    """Nine alerts: three conditions at three stations, raised a minute apart, two of them over."""
    raised = []
    for n, (station, condition) in enumerate(
        (s, c) for s in ("elm_street", "mill_weir", "quarry_hill") for c in CONDITIONS
    ):
        told = verdict(station, condition, NOW_S - 7200 + 60 * n)
        raised.append(made.room.desk.raised(told))
        if n in (0, 4):
            made.room.desk.cleared(raised[-1].alert_id, NOW_S - 600)
    return raised


@pytest.fixture
def viewer(as_role):
    return as_role("viewer")


@pytest.fixture
def operator(as_role):
    return as_role("operator")


def ids(answer):
    assert answer.status_code == 200, answer.text
    return [item["alert"]["alert_id"] for item in answer.json()["items"]]


def test_an_alert_is_the_same_object_as_scan_prints(alerts, viewer, made):
    shown = viewer.get(f"/api/v1/alerts/{alerts[1].alert_id}").json()
    printed = to_json(made.room.desk.alert(alerts[1].alert_id).alert)
    assert shown["alert"] == json.loads(printed)
    jsonschema.validate(shown["alert"], schema())  # the published contract
    assert shown["zone"] == "low_town"
    assert shown["may"] == ["acknowledge", "shelve"]
    assert shown["is_true"] is True


@pytest.mark.parametrize(
    ("query", "wanted"),
    [
        ("station=elm_street", {0, 1, 2}),
        ("zone=high_town", {6, 7, 8}),
        ("condition=creep", {1, 4, 7}),
        ("state=returned_unacknowledged", {0, 4}),
        ("zone=low_town&condition=drift", {0, 3}),
        ("station=nowhere", set()),
        ("priority=high", None),
        ("standing=true", set(range(9))),
    ],
)
def test_filters(alerts, viewer, query, wanted):
    found = set(ids(viewer.get(f"/api/v1/alerts?{query}")))
    if wanted is None:
        wanted = {n for n, alert in enumerate(alerts) if alert.priority == "high"}
    assert found == {alerts[n].alert_id for n in wanted}


def test_newest_first(alerts, viewer):
    assert ids(viewer.get("/api/v1/alerts?sort=newest")) == [alert.alert_id for alert in reversed(alerts)]


@pytest.mark.parametrize("sort", ["worst", "newest"])
def test_pages_by_the_link_header_give_every_alert_once(alerts, viewer, sort):
    whole = ids(viewer.get(f"/api/v1/alerts?sort={sort}&limit=500"))
    assert len(whole) == 9
    gone_through, url = [], f"/api/v1/alerts?sort={sort}&limit=2"
    for _ in range(10):
        answer = viewer.get(url)
        gone_through += ids(answer)
        assert answer.json()["total"] == 9
        # RFC 8288 links, read by the client library: independent of our own writing of them
        links = answer.links
        assert links["first"]["url"] == f"/api/v1/alerts?sort={sort}&limit=2"
        if "next" not in links:
            assert answer.json()["next"] is None
            break
        url = links["next"]["url"]
    assert gone_through == whole


def test_an_alert_raised_between_two_pages_shifts_nothing(alerts, viewer, made):
    first = viewer.get("/api/v1/alerts?sort=newest&limit=4")
    made.room.desk.raised(verdict("elm_street", "slow_response", NOW_S))
    rest = viewer.get(f"/api/v1/alerts?sort=newest&limit=500&after={first.json()['next']}")
    assert ids(first) + ids(rest) == [alert.alert_id for alert in reversed(alerts)]


def test_what_changed_since(alerts, viewer, operator):
    latest = max(item["change_no"] for item in viewer.get("/api/v1/alerts").json()["items"])
    operator.post(f"/api/v1/alerts/{alerts[5].alert_id}/acknowledge", json={})
    assert ids(viewer.get(f"/api/v1/alerts?changed_after={latest}")) == [alerts[5].alert_id]


@pytest.mark.parametrize(
    ("query", "field", "told"),
    [
        ("limit=0", "query.limit", "greater than or equal to 1"),
        ("limit=501", "query.limit", "less than or equal to 500"),
        ("limit=many", "query.limit", "valid integer"),
        ("condition=rust", "query.condition", "'drift', 'creep'"),
        ("state=odd", "query.state", "'active_unacknowledged'"),
        ("sort=best", "query.sort", "'worst' or 'newest'"),
        ("changed_after=-1", "query.changed_after", "greater than or equal to 0"),
    ],
)
def test_a_wrong_query_names_its_field(viewer, query, field, told):
    answer = viewer.get(f"/api/v1/alerts?{query}")
    assert answer.status_code == 422
    problem = answer.json()
    assert problem["type"] == "urn:steadyhead:problem:invalid-request"
    assert problem["errors"][0]["field"] == field
    assert told in problem["errors"][0]["message"]
    assert field in problem["detail"]


@pytest.mark.parametrize("after", ["x", "%F0%9F%98%80", "AAAA", "d29yc3R8MQ"])
def test_a_made_up_cursor_is_refused_in_words(alerts, viewer, after):
    answer = viewer.get(f"/api/v1/alerts?after={after}")
    assert answer.status_code == 422
    assert "take it from `next` of the page before" in answer.json()["detail"]


def test_a_cursor_of_another_order_is_refused(alerts, viewer):
    cursor = viewer.get("/api/v1/alerts?limit=2&sort=newest").json()["next"]
    answer = viewer.get(f"/api/v1/alerts?limit=2&sort=worst&after={cursor}")
    assert answer.status_code == 422
    assert "sorted by newest" in answer.json()["detail"]


def test_acknowledge_with_a_note_is_kept_with_who_and_when(alerts, operator, viewer, made):
    made.clock.now_s += 60
    path = f"/api/v1/alerts/{alerts[1].alert_id}"
    shown = operator.post(f"{path}/acknowledge", json={"note": "  crew informed "}).json()
    assert shown["alert"]["state"] == "active_acknowledged"
    assert (shown["acknowledged_by"], shown["acknowledged_at"]) == ("olaf", "2025-10-17T06:01:00Z")
    line = viewer.get(f"{path}/history").json()["items"][0]
    assert (line["who"], line["why"], line["at"]) == ("olaf", "crew informed", "2025-10-17T06:01:00Z")
    assert (line["from_state"], line["to_state"]) == ("active_unacknowledged", "active_acknowledged")


def test_acknowledging_twice_is_a_conflict_in_words(alerts, operator):
    path = f"/api/v1/alerts/{alerts[1].alert_id}/acknowledge"
    assert operator.post(path, json={}).status_code == 200
    answer = operator.post(path, json={})
    assert answer.status_code == 409
    assert answer.json()["type"] == "urn:steadyhead:problem:not-now"
    assert "acknowledge" in answer.json()["detail"]


def test_shelve_and_take_back(alerts, operator):
    path = f"/api/v1/alerts/{alerts[1].alert_id}"
    asked = {"why": "crew on site", "until": "2025-10-17T08:00:00+02:00"}  # is now
    answer = operator.post(f"{path}/shelve", json={**asked, "until": "2025-10-17T10:00:00+02:00"})
    assert answer.status_code == 200, answer.text
    assert answer.json()["shelved_until"] == "2025-10-17T08:00:00Z"
    assert answer.json()["alert"]["state"] == "shelved"
    assert answer.json()["held_why"] == "Shelved: crew on site"
    assert operator.post(f"{path}/unshelve", json={}).json()["alert"]["state"] == "active_unacknowledged"
    past = operator.post(f"{path}/shelve", json=asked)
    assert past.status_code == 409
    assert "give a time within the next 7 days" in past.json()["detail"]


@pytest.mark.parametrize(
    ("asked", "field", "told"),
    [
        ({}, "body.why", "Field required"),
        ({"why": "x", "until": "2025-10-18T00:00:00Z"}, "body.why", "at least 3 characters"),
        ({"why": "   ", "until": "2025-10-18T00:00:00Z"}, "body.why", "at least 3 characters"),
        ({"why": "y" * 1001, "until": "2025-10-18T00:00:00Z"}, "body.why", "at most 1000 characters"),
        ({"why": "crew", "until": "tomorrow"}, "body.until", "valid datetime"),
        ({"why": "crew", "until": "2025-10-18T00:00:00"}, "body.until", "timezone"),
        ({"why": "crew", "until": "9999-10-18T00:00:00Z"}, "body.until", "not between 1970 and 2100"),
        ({"why": "crew", "until": "2025-10-18T00:00:00Z", "untill": 1}, "body.untill", "not permitted"),
    ],
)
def test_a_wrong_body_names_its_field(alerts, operator, asked, field, told):
    answer = operator.post(f"/api/v1/alerts/{alerts[1].alert_id}/shelve", json=asked)
    assert answer.status_code == 422
    assert any(e["field"] == field and told in e["message"] for e in answer.json()["errors"]), answer.json()


@pytest.mark.parametrize(
    ("alert_id", "status"), [("0123456789abcdef", 404), ("NOT-HEX", 422), ("../../etc/passwd", 404)]
)
def test_an_alert_that_is_not_there(viewer, alert_id, status):
    answer = viewer.get(f"/api/v1/alerts/{alert_id}")
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("act", ["acknowledge", "shelve", "unshelve"])
def test_nothing_is_done_to_an_alert_that_is_not_there(operator, act):
    asked = {"why": "crew on site", "until": "2025-10-18T00:00:00Z"} if act == "shelve" else {}
    answer = operator.post(f"/api/v1/alerts/0123456789abcdef/{act}", json=asked)
    assert answer.status_code == 404
    assert "no alert 0123456789abcdef" in answer.json()["detail"]
