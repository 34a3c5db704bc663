"""Every role against every operation: the table is filled by walking the application's routes.

A route without a guard fails, unless it stands in OPEN with a reason; so a new route cannot be forgotten.
"""

import re

import pytest
from api_room import HOST, PEOPLE, WORDS, sign_in
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from starlette.routing import Mount

from steadyhead.access.actor import ROLES, SCOPES, Act, Actor, may
from steadyhead.api import openapi
from steadyhead.api.app import make_app

OPEN = {
    ("GET", "/healthz"): "says only that the process answers",
    ("GET", "/readyz"): "says ready or not; reasons only to who may read",
    ("GET", "/metrics"): "guards itself: this machine, or a token of scope read",
    ("GET", "/login"): "where one signs in",
    ("POST", "/login"): "where one signs in; tied to the form by its own CSRF check",
    ("GET", "/look"): "keeps light or dark in a cookie, goes back to one of our own addresses",
    ("POST", "/logout"): "ends one's own session; checks CSRF itself",
}
OPEN_STATIC = "/static"  # style and scripts hold nothing of a utility

# What each operation takes, by hand from the description of the roles; the walk fails if one is missing here.
TAKES = {
    "GET": Act.READ,
    ("GET", "/api/v1/openapi.json"): Act.SELF,
    ("GET", "/api/v1/me"): Act.ENTER,
    ("POST", "/api/v1/me/password"): Act.ENTER,
    ("DELETE", "/api/v1/me/sessions/{session}"): Act.SELF,
    ("GET", "/api/v1/me/sessions"): Act.SELF,
    ("POST", "/api/v1/alerts/{alert_id}/acknowledge"): Act.ACKNOWLEDGE,
    ("POST", "/api/v1/alerts/{alert_id}/reset"): Act.ACKNOWLEDGE,
    ("GET", "/api/v1/notifications"): Act.READ,
    ("POST", "/api/v1/notifications/seen"): Act.ACKNOWLEDGE,
    ("POST", "/api/v1/alerts/{alert_id}/shelve"): Act.SHELVE,
    ("POST", "/api/v1/alerts/{alert_id}/unshelve"): Act.SHELVE,
    ("POST", "/api/v1/stations/{name}/out-of-service"): Act.TAKE_OUT_OF_SERVICE,
    ("POST", "/api/v1/stations/{name}/return-to-service"): Act.TAKE_OUT_OF_SERVICE,
    ("POST", "/api/v1/findings"): Act.RECORD_FINDING,
    ("POST", "/api/v1/findings/{finding_id}/repair"): Act.RECORD_FINDING,
    ("POST", "/api/v1/findings/{finding_id}/proofs"): Act.PROVE,
    ("POST", "/api/v1/suppressions"): Act.SUPPRESS,
    ("POST", "/api/v1/suppressions/{number}/release"): Act.SUPPRESS,
    ("POST", "/api/v1/profiles/{name}"): Act.LEARN,
    ("POST", "/api/v1/reports"): Act.REPORT,
    ("POST", "/api/v1/readings"): Act.WRITE_READINGS,
    ("GET", "/api/v1/accounts"): Act.ACCOUNTS,
    ("POST", "/api/v1/accounts"): Act.ACCOUNTS,
    ("GET", "/api/v1/accounts/{name}"): Act.ACCOUNTS,
    ("PATCH", "/api/v1/accounts/{name}"): Act.ACCOUNTS,
    ("GET", "/api/v1/tokens"): Act.TOKENS,
    ("POST", "/api/v1/tokens"): Act.TOKENS,
    ("DELETE", "/api/v1/tokens/{number}"): Act.TOKENS,
}
VALUES = {
    "alert_id": "0123456789abcdef", "name": "elm_street", "finding_id": "1", "number": "1",
    "week": "2025-W44", "form": "csv", "session": "0123456789abcdef",
}  # fmt: skip


def operations(app):
    """Method and path of every route, mounts and HEAD aside."""
    for route in iter_route_contexts(app.routes):
        if isinstance(getattr(route, "original_route", route), Mount):
            continue
        for method in sorted((getattr(route, "methods", None) or set()) - {"HEAD"}):
            yield method, str(route.path), route


@pytest.fixture
def whole_app(made):
    """The application with the real pages, as it is served."""
    return make_app(made.room)


def test_every_route_carries_a_guard_or_a_reason(whole_app):
    found = list(operations(whole_app))
    assert len(found) > 40  # the walk itself must not be blind
    bare = [
        f"{method} {path}"
        for method, path, route in found
        if openapi.act_of(route) is None and (method, path) not in OPEN and not path.startswith(OPEN_STATIC)
    ]
    assert bare == []


def test_every_operation_of_the_api_takes_what_the_roles_say(app):
    found = {
        (method, path): openapi.act_of(route)
        for method, path, route in operations(app)
        if path.startswith("/api/")
    }
    missing = [key for key in found if key not in TAKES and key[0] not in TAKES]
    assert missing == []
    assert {key: act for key, act in found.items() if act != TAKES.get(key, TAKES.get(key[0]))} == {}
    assert [key for key in TAKES if isinstance(key, tuple) and key not in found] == []


def test_a_page_that_changes_something_takes_more_than_reading(whole_app):
    found = [
        (path, openapi.act_of(route))
        for method, path, route in operations(whole_app)
        if method != "GET" and not path.startswith("/api/") and openapi.act_of(route) is not None
    ]
    assert found
    assert [path for path, act in found if act is Act.READ] == []


@pytest.mark.parametrize("who", [*ROLES, *SCOPES])
def test_each_role_gets_in_where_it_may_and_nowhere_else(who, app, as_role, as_token):
    """Sends every operation with an empty body; 401 or 403 where the role may not, and only there."""
    client = as_role(who) if who in ROLES else as_token(who)
    actor = Actor("x", role=who) if who in ROLES else Actor("x", scope=who)
    wrong = []
    for method, path, route in operations(app):
        act = openapi.act_of(route)
        if act is None or path.endswith("/events"):  # the stream does not end; tested on a real server
            continue
        if (method, path) == ("POST", "/api/v1/me/password") and who in SCOPES:
            continue  # a token has no password; tested below
        answer = client.request(method, path.format(**VALUES), json={} if method != "GET" else None)
        got_in = answer.status_code not in (401, 403)
        if got_in != may(actor, act):
            wrong.append(f"{who} {method} {path}: {answer.status_code}")
        if not got_in:
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["detail"]
        assert answer.status_code < 500, (method, path, answer.text)
    assert wrong == []


def test_without_session_or_token_nothing_of_the_api_opens(app, anybody):
    for method, path, route in operations(app):
        if openapi.act_of(route) is not None:
            answer = anybody.request(method, path.format(**VALUES), json={})
            assert answer.status_code == 401, (method, path)
            assert answer.json()["type"] == "urn:steadyhead:problem:not-signed-in"
            assert answer.headers["www-authenticate"] == 'Bearer realm="steadyhead"'


def test_every_unsafe_route_refuses_a_cookie_without_the_csrf_token(app, as_role):
    client = as_role("administrator")
    del client.headers["X-CSRF-Token"]
    tried = 0
    for method, path, route in operations(app):
        act = openapi.act_of(route)
        if act is None or method == "GET" or act is Act.WRITE_READINGS:
            continue
        answer = client.request(method, path.format(**VALUES), json={})
        assert (answer.status_code, answer.json()["type"]) == (
            403,
            "urn:steadyhead:problem:not-from-our-page",
        ), (method, path)
        tried += 1
    assert tried > 10


def pages(whole_app):
    """Operations of the pages with their guard."""
    for method, path, route in operations(whole_app):
        act = openapi.act_of(route)
        if act is not None and not path.startswith("/api/"):
            yield method, re.sub(r"{[^}:]+(:path)?}", "1", path.replace("{name}", "elm_street")), act


@pytest.mark.parametrize("role", ROLES)
def test_each_role_gets_to_the_pages_it_may_and_no_others(role, whole_app, made):
    name = next(name for name, of in PEOPLE.items() if of == role)
    wrong = []
    with TestClient(whole_app, base_url=HOST, raise_server_exceptions=False) as client:
        assert sign_in(client, name).status_code == 303
        token = client.get("/api/v1/me").json()["csrf_token"]
        for method, path, act in pages(whole_app):
            form = {"csrf": token} if method != "GET" else None
            answer = client.request(method, path, data=form, follow_redirects=False)
            if (answer.status_code not in (401, 403)) != may(Actor("x", role=role), act):
                wrong.append(f"{role} {method} {path}: {answer.status_code}")
            assert answer.status_code < 500, (method, path, answer.text)
    assert wrong == []


def test_pages_without_a_session_lead_to_the_form_and_change_nothing(whole_app, made):
    with TestClient(whole_app, base_url=HOST) as client:
        for method, path, _ in pages(whole_app):
            answer = client.request(method, path, follow_redirects=False)
            if method == "GET":
                assert answer.status_code == 303, path
                assert answer.headers["location"].startswith("/login"), path
            else:
                assert answer.status_code == 401, path


def test_every_form_of_the_pages_refuses_a_cookie_without_the_csrf_token(whole_app, made):
    tried = 0
    with TestClient(whole_app, base_url=HOST) as client:
        sign_in(client, "adam")
        for method, path, _ in pages(whole_app):
            if method != "GET":
                assert client.request(method, path, data={"why": "abc"}).status_code == 403, path
                tried += 1
    assert tried >= 5


def test_a_token_has_no_password_to_change(as_token):
    answer = as_token("read").post("/api/v1/me/password", json={"old": "x", "new": "y"})
    assert answer.status_code == 403
    assert answer.json()["detail"] == '"program read" is a token, which has no password'


def test_an_operator_and_an_engineer_side_by_side(made, as_role):
    """The same suppression: one is refused and told why, the other makes it, and the first then sees it."""
    asked = {"station": "elm_street", "why": "main being flushed"}
    operator, engineer = as_role("operator"), as_role("engineer")
    refused = operator.post("/api/v1/suppressions", json=asked)
    assert refused.status_code == 403
    assert refused.json()["detail"] == (
        '"olaf" may not suppress alerts by design and release them; '
        "that takes the role engineer or administrator"
    )
    assert engineer.post("/api/v1/suppressions", json=asked).status_code == 201
    seen = operator.get("/api/v1/suppressions").json()["items"]
    assert [(item["who"], item["station"]) for item in seen] == [("ella", "elm_street")]


def test_a_demoted_person_loses_the_right_at_once(made, as_role):
    engineer, administrator = as_role("engineer"), as_role("administrator")
    asked = {"role": "viewer", "own_password": WORDS}
    assert administrator.patch("/api/v1/accounts/ella", json=asked).status_code == 200
    answer = engineer.post("/api/v1/suppressions", json={"station": "elm_street", "why": "flushing"})
    assert answer.status_code == 401
