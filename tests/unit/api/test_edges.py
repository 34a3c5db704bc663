"""Headers, problems, limits, health and metrics."""

import inspect
import logging

import pytest
from api_room import HOST, make_room, status, verdict
from fastapi.testclient import TestClient
from prometheus_client.parser import text_string_to_metric_families

from steadyhead import errors
from steadyhead.api import problems
from steadyhead.api.app import make_app
from steadyhead.api.middleware import CONTENT_POLICY
from steadyhead.api.seam import PlainPages
from steadyhead.errors import DatabaseError


def client_from(app, address="127.0.0.1", host=HOST, **headers):
    return TestClient(
        app, base_url=host, client=(address, 40000), headers=headers, raise_server_exceptions=False
    )


# ---- headers ------------------------------------------------------------------------------------------

EVERY_KIND = ["/healthz", "/login", "/api/v1/alerts", "/nothing/here", "/api/v1/nothing"]


@pytest.mark.parametrize("path", EVERY_KIND)
def test_every_answer_carries_the_headers(anybody, path):
    headers = anybody.get(path).headers
    assert headers["content-security-policy"] == CONTENT_POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert "server" not in headers


def test_the_policy_lets_in_nothing_inline_and_nothing_from_elsewhere():
    # Content Security Policy level 3 (from memory): what makes a policy useless must not be in it.
    directives = dict(part.split(" ", 1) for part in CONTENT_POLICY.split("; "))
    assert directives["default-src"] == directives["frame-ancestors"] == "'none'"
    assert directives["base-uri"] == directives["object-src"] == "'none'"
    assert directives["script-src"] == directives["style-src"] == "'self'"
    for loose in ("unsafe-inline", "unsafe-eval", "*", "http:", "https:", "blob:"):
        assert loose not in CONTENT_POLICY
    assert "data:" not in directives["script-src"]


def test_an_error_carries_them_too(as_role, made):
    made.runner.now = None
    answer = as_role("viewer").get("/api/v1/feeds")
    assert answer.status_code == 500
    assert answer.headers["content-security-policy"] == CONTENT_POLICY


# ---- problems -----------------------------------------------------------------------------------------


def test_every_error_class_has_a_place_in_the_table():
    classes = [
        cls
        for _, cls in inspect.getmembers(errors, inspect.isclass)
        if issubclass(cls, errors.SteadyheadError) and cls is not errors.SteadyheadError
    ]
    assert len(classes) > 15
    for cls in classes:
        kind = problems.kind_of(cls("text"))
        assert kind is not problems.OTHER, cls
        assert 400 <= kind.status < 600
        assert kind.title
        assert kind.what_to_do.endswith(".")


def test_names_of_problems_are_used_once_each():
    kinds = {kind for kind in vars(problems).values() if isinstance(kind, problems.Kind)}
    kinds |= set(problems.OF_ERROR.values())
    assert len({kind.slug for kind in kinds}) == len(kinds)


def test_a_problem_has_the_members_of_the_standard(as_role):
    # RFC 9457, section 3.1: type, status, title, detail, instance; and section 3.2: further members.
    answer = as_role("viewer").get("/api/v1/stations/elm?x=secret")
    assert answer.status_code == 404
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json() == {
        "type": "urn:steadyhead:problem:not-found",
        "title": "Not found",
        "status": 404,
        "detail": 'there is no station "elm" in the registry; list them with GET /api/v1/stations',
        "instance": "/api/v1/stations/elm",
        "what_to_do": "List what there is, and check the name or number.",
    }


@pytest.mark.parametrize(
    ("method", "path", "status", "slug", "detail"),
    [
        ("GET", "/api/v1/nothing", 404, "no-such-path", "there is nothing at /api/v1/nothing"),
        ("DELETE", "/api/v1/alerts", 405, "wrong-method", "DELETE is not possible at /api/v1/alerts"),
        ("GET", "/api/v1/alerts/", 404, "no-such-path", "there is nothing at /api/v1/alerts/"),
    ],
)
def test_wrong_addresses(as_role, method, path, status, slug, detail):
    answer = as_role("viewer").request(method, path)
    assert answer.status_code == status
    assert answer.json()["type"].endswith(slug)
    assert answer.json()["detail"] == detail
    if status == 405:
        assert answer.headers["allow"] == "GET"


def test_a_body_that_is_no_json_says_where(as_role):
    answer = as_role("engineer").post(
        "/api/v1/suppressions", content=b'{"why": ', headers={"Content-Type": "application/json"}
    )
    assert answer.status_code == 400
    assert (
        answer.json()["detail"] == "the body is not JSON: Expecting value at character 8; send one JSON value"
    )


def test_a_lost_database_is_said_with_when_to_come_again(as_role, made, monkeypatch):
    client = as_role("viewer")

    def lost(*_, **__):
        raise DatabaseError("postgresql://host/steadyhead: cannot be reached; check that it runs")

    monkeypatch.setattr(made.room.desk, "alerts", lost)
    answer = client.get("/api/v1/alerts")
    assert answer.status_code == 503
    assert answer.json()["detail"].startswith("postgresql://host/steadyhead: cannot be reached")
    assert answer.json()["what_to_do"].startswith("Wait and try again. Readings are still taken in")
    assert answer.headers["retry-after"] == "10"


def test_a_defect_shows_a_number_and_nothing_else(as_role, made, caplog):
    client = as_role("viewer")
    made.runner.now = None
    with caplog.at_level(logging.ERROR):
        problem = client.get("/api/v1/feeds").json()
    assert problem["incident"] in problem["detail"]
    assert "Attribute" not in str(problem)
    assert problem["incident"] in caplog.text
    assert "AttributeError" in caplog.text


def test_a_page_that_cannot_be_made_does_not_hide_the_problem(app, anybody, monkeypatch):
    monkeypatch.setattr(app.state.pages, "problem", lambda *_: 1 / 0)
    answer = anybody.get("/nothing")
    assert answer.status_code == 404
    assert answer.json()["detail"] == "there is nothing at /nothing"


def test_a_browser_gets_a_page_and_a_program_a_problem(anybody):
    assert anybody.get("/nothing").headers["content-type"].startswith("text/html")
    assert anybody.get("/api/nothing").headers["content-type"] == "application/problem+json"


UNKNOWN = "the token is not known; check that all of it was copied, or ask for a new one"


def test_refusals_are_logged_with_who_and_no_line_of_the_caller_s_own(as_role, anybody, caplog):
    as_role("viewer").post("/api/v1/suppressions", json={})
    anybody.get("/api/v1/me", headers={"Authorization": "Bearer sth_secretsecret"})
    as_role("viewer").post("/api/v1/profiles/x%1B%0AERROR", json={})
    lines = [record.getMessage() for record in caplog.records if record.name == "steadyhead.api.guards"]
    assert lines == [
        "refused to account:vera: POST '/api/v1/suppressions'",
        f"refused a token from '127.0.0.1': {UNKNOWN}",
        "refused to account:vera: POST '/api/v1/profiles/x\\x1bERROR'",
    ]


# ---- limits -------------------------------------------------------------------------------------------


def test_an_address_that_asks_too_often_has_to_wait(tmp_path, made_database):
    made = make_room(tmp_path, made_database, address_requests_per_minute=60)
    with client_from(make_app(made.room, PlainPages())) as client:
        codes = [client.get("/healthz").status_code for _ in range(205)]
        assert set(codes[:200]) == {200}
        assert codes[-1] == 429
        answer = client.get("/api/v1/alerts")
        assert answer.json()["type"] == "urn:steadyhead:problem:too-many-requests"
        assert answer.headers["retry-after"].isdigit()
        other = client_from(client.app, "10.0.0.9")
        assert other.get("/healthz").status_code == 200
    made.database.close()


def test_a_person_who_asks_too_often_holds_up_nobody_else(tmp_path, made_database):
    made = make_room(tmp_path, made_database, requests_per_minute=60)
    accounts = made.room.accounts
    one, two = (accounts.make_token(name, "read", "adam").secret for name in "ab")
    with client_from(make_app(made.room, PlainPages())) as client:

        def ask(secret):
            return client.get("/api/v1/me", headers={"Authorization": f"Bearer {secret}"}).status_code

        codes = [ask(one) for _ in range(62)]
        assert codes.count(429) >= 1
        assert ask(two) == 200
    made.database.close()


# ---- health and metrics -------------------------------------------------------------------------------


def test_alive_is_open_and_says_nothing(anybody):
    assert anybody.get("/healthz").json() == {"status": "alive"}


def test_ready(anybody):
    answer = anybody.get("/readyz")
    assert (answer.status_code, answer.json()) == (200, {"status": "ready", "reasons": []})


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"database_ok": False, "database_words": "locked by another program"},
            "database: locked by another program",
        ),
        ({"archive_ok": False, "archive_words": "disk full"}, "archive: disk full"),
        ({"journal_ok": False}, "journal: does not work"),
        ({"state": "waiting", "words": "waiting for the database"}, "judging: waiting for the database"),
    ],
)
def test_not_ready_says_why_to_who_may_know(app, anybody, made, as_role, as_token, changed, told):
    made.runner.now = status(**changed)
    assert anybody.get("/readyz").status_code == 503
    assert told in anybody.get("/readyz").json()["reasons"]
    far = client_from(app, "10.1.2.3", "http://steadyhead.example")
    assert far.get("/readyz").json() == {"status": "not_ready"}
    secret = as_token("read").headers["Authorization"]
    assert told in far.get("/readyz", headers={"Authorization": secret}).json()["reasons"]


def test_ready_asks_the_database_itself(anybody, made, monkeypatch):
    def lost():
        raise DatabaseError("steadyhead.db: the database file is gone; put it back from a backup")

    monkeypatch.setattr(made.room.database, "check", lost)
    answer = anybody.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["reasons"][0].startswith("database: steadyhead.db: the database file is gone")


def metrics_of(text):
    """Samples by name and labels, read by the client library's parser: independent of our writing."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_metrics_tell_the_state_of_the_run(anybody, made):
    made.room.desk.raised(verdict())
    anybody.get("/healthz")
    found = metrics_of(anybody.get("/metrics").text)
    assert found["steadyhead_readings_total", (("outcome", "accepted"),)] == 1000
    assert found["steadyhead_backlog_items", ()] == 3
    assert found["steadyhead_works", (("part", "database"),)] == 1
    assert found["steadyhead_alerts", (("kind", "standing"),)] == 1
    assert found["steadyhead_last_reading_age_seconds", ()] == 60
    labels = (("method", "GET"), ("route", "/healthz"), ("status", "200"))
    assert found["steadyhead_http_requests_total", labels] == 1


def test_made_up_addresses_make_no_labels(as_role, anybody):
    client = as_role("viewer")
    for n in range(20):
        client.get(f"/api/v1/stations/nowhere{n}")
        client.get(f"/nothing/{n}")
    client.request("BREW", "/healthz")
    routes = {dict(labels).get("route") for _, labels in metrics_of(anybody.get("/metrics").text)}
    assert "/api/v1/stations/{name}" in routes
    assert not any("nowhere" in str(route) or "nothing" in str(route) for route in routes)


def test_metrics_say_that_the_database_is_gone_and_make_up_no_alerts(anybody, made, monkeypatch):
    def lost():
        raise DatabaseError("gone")

    made.runner.now = status(database_ok=False)
    monkeypatch.setattr(made.room.desk, "counts", lost)
    found = metrics_of(anybody.get("/metrics").text)
    assert found["steadyhead_works", (("part", "database"),)] == 0
    assert not any(name == "steadyhead_alerts" for name, _ in found)


@pytest.mark.parametrize(
    ("address", "host", "headers"),
    [
        ("10.1.2.3", "http://steadyhead.example", {}),
        ("127.0.0.1", HOST, {"X-Forwarded-For": "10.1.2.3"}),  # a proxy on this machine
        ("127.0.0.1", HOST, {"Forwarded": "for=10.1.2.3"}),
        ("127.0.0.1", "http://evil.example", {}),  # a page whose name was pointed here
        ("127.0.0.1", "http://127.0.0.1.evil.example", {}),
    ],
)
def test_metrics_from_elsewhere_need_a_token(app, anybody, address, host, headers):
    answer = client_from(app, address, host, **headers).get("/metrics")
    assert answer.status_code == 401
    assert answer.json()["detail"] == "from another machine metrics need a token of scope read"


@pytest.mark.parametrize("host", [HOST, "http://localhost:8470", "http://[::1]:8470"])
def test_metrics_from_this_machine_need_none(app, anybody, host):
    assert client_from(app, "::1" if "[" in host else "127.0.0.1", host).get("/metrics").status_code == 200


def test_metrics_with_a_token(app, as_token):
    far = client_from(app, "10.1.2.3", "http://steadyhead.example")
    for scope, wanted in (("read", 200), ("write_readings", 403)):
        secret = as_token(scope).headers["Authorization"]
        assert far.get("/metrics", headers={"Authorization": secret}).status_code == wanted


@pytest.mark.parametrize(
    ("behind", "address", "forwarded", "counts_as_one"),
    [
        (True, "127.0.0.1", "10.0.0.{}", False),
        (True, "127.0.0.1", "1.1.1.{}, 10.0.0.9", True),  # only the last one is the proxy's own word
        (True, "10.9.9.9", "10.0.0.{}", True),  # not our proxy
        (False, "127.0.0.1", "10.0.0.{}", True),
    ],
)
def test_behind_a_proxy_each_caller_counts_alone(
    tmp_path, made_database, behind, address, forwarded, counts_as_one
):
    made = make_room(tmp_path, made_database, address_requests_per_minute=1, behind_proxy=behind)
    with client_from(make_app(made.room, PlainPages()), address) as client:
        codes = {
            client.get("/healthz", headers={"X-Forwarded-For": forwarded.format(n % 50)}).status_code
            for n in range(205)
        }
    assert (429 in codes) is counts_as_one
    made.database.close()
