"""Signing in with a browser: cookies, CSRF, lock-out, redirects. ``anybody`` is the bare client."""

import logging
import re

import pytest
from api_room import HOST, PEOPLE, WORDS, make_room, sign_in
from fastapi.testclient import TestClient

from steadyhead.access.proof import REFUSED
from steadyhead.api.app import make_app
from steadyhead.api.redirects import safe_next
from steadyhead.api.seam import PlainPages

SESSION = "steadyhead_session"


def flags(answer, name):
    """The attributes of a cookie that an answer sets, lower case."""
    for header in answer.headers.get_list("set-cookie"):
        if header.startswith(f"{name}="):
            return {part.strip().lower() for part in header.split(";")[1:]}
    return None


def test_signing_in_opens_what_was_asked_for(anybody):
    asked = anybody.get("/login?next=/alerts/0123456789abcdef")
    field = re.search(r'name="next" value="([^"]+)"', asked.text).group(1)
    answer = sign_in(anybody, "vera", next=field)
    assert (answer.status_code, answer.headers["location"]) == (303, "/alerts/0123456789abcdef")
    assert anybody.get("/api/v1/me").json()["name"] == "vera"


def test_the_session_cookie_is_out_of_reach(anybody):
    answer = sign_in(anybody, "vera")
    assert flags(answer, SESSION) == {"path=/", "httponly", "samesite=lax"}


@pytest.mark.parametrize("by", ["https", "setting"])
def test_over_tls_the_cookie_is_secure_and_bound_to_the_host(tmp_path, made_database, by):
    made = make_room(tmp_path, made_database, cookie_secure=by == "setting")
    base = HOST.replace("http:", "https:")
    with TestClient(make_app(made.room, PlainPages()), base_url=base) as client:
        answer = sign_in(client, "vera")
        assert flags(answer, f"__Host-{SESSION}") == {"path=/", "httponly", "samesite=lax", "secure"}
        assert client.get("/api/v1/me").status_code == 200
        assert "max-age" in answer.headers["strict-transport-security"]
    made.database.close()


def test_plain_http_promises_no_tls(anybody):
    assert "strict-transport-security" not in anybody.get("/login").headers


def test_a_cookie_of_plain_http_is_not_taken_over_tls(tmp_path, made_database):
    made = make_room(tmp_path, made_database)
    secret = made.room.accounts.login("vera", WORDS)
    with TestClient(make_app(made.room, PlainPages()), base_url="https://127.0.0.1") as client:
        client.cookies.set(SESSION, secret)
        assert client.get("/api/v1/me").status_code == 401
    made.database.close()


@pytest.mark.parametrize(("name", "password"), [("vera", "wrong words here"), ("nobody", WORDS), ("", "")])
def test_a_refusal_shows_the_form_again_and_nothing_of_who_exists(anybody, name, password):
    answer = sign_in(anybody, name, password)
    assert answer.status_code == 401
    assert REFUSED.replace("'", "&#x27;") in answer.text
    assert flags(answer, SESSION) is None
    if password:
        assert password not in answer.text


def test_what_was_typed_is_not_run_as_html(anybody):
    answer = sign_in(anybody, '"><script>alert(1)</script>', "x" * 20)
    assert "<script>" not in answer.text


def test_many_attempts_from_one_address_have_to_wait(tmp_path, made_database):
    made = make_room(tmp_path, made_database, logins_per_minute=3)
    with TestClient(make_app(made.room, PlainPages()), base_url=HOST) as client:
        codes = [sign_in(client, f"guess{n}", WORDS).status_code for n in range(5)]
        assert codes == [401, 401, 401, 429, 429]
        assert int(sign_in(client, "vera").headers["retry-after"]) in range(1, 22)
    made.database.close()


def test_a_sign_in_from_another_site_is_refused(anybody):
    anybody.get("/login")
    plain = {"name": "vera", "password": WORDS}
    assert anybody.post("/login", data=plain).status_code == 403
    assert anybody.post("/login", data={**plain, "csrf": "0" * 64}).status_code == 403
    assert anybody.get("/api/v1/me").status_code == 401


def test_the_field_of_one_browser_does_not_serve_another(app, anybody):
    field = re.search(r'name="csrf" value="([0-9a-f]+)"', anybody.get("/login").text).group(1)
    other = TestClient(app, base_url=HOST)
    other.get("/login")
    answer = other.post("/login", data={"name": "vera", "password": WORDS, "csrf": field})
    assert answer.status_code == 403


@pytest.mark.parametrize(
    ("headers", "told"),
    [
        ({"Sec-Fetch-Site": "cross-site"}, "comes from a cross-site page"),
        ({"Sec-Fetch-Site": "same-site"}, "comes from a same-site page"),
        ({"Origin": "https://evil.example"}, "Origin names another place"),
        ({"Origin": "null"}, "Origin names another place"),
    ],
)
def test_a_request_that_the_browser_says_is_foreign_is_refused(as_role, headers, told):
    client = as_role("engineer")  # with a good CSRF token
    answer = client.post(
        "/api/v1/suppressions", json={"station": "elm_street", "why": "abc"}, headers=headers
    )
    assert answer.status_code == 403
    assert told in answer.json()["detail"]


def test_our_own_page_is_let_through(as_role):
    headers = {"Sec-Fetch-Site": "same-origin", "Origin": HOST}
    answer = as_role("engineer").post(
        "/api/v1/suppressions", json={"station": "elm_street", "why": "abc"}, headers=headers
    )
    assert answer.status_code == 201


def test_the_csrf_token_of_one_session_does_not_serve_another(as_role):
    engineer, operator = as_role("engineer"), as_role("operator")
    engineer.headers["X-CSRF-Token"] = operator.headers["X-CSRF-Token"]
    answer = engineer.post("/api/v1/suppressions", json={"station": "elm_street", "why": "abc"})
    assert answer.status_code == 403
    assert answer.json()["detail"] == "its form is of another session, or of one that is over"


def test_signing_out_ends_the_session_on_the_server(as_role):
    client = as_role("viewer")
    secret = client.cookies[SESSION]
    answer = client.post("/logout", data={"csrf": client.headers["X-CSRF-Token"]}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/login")
    client.cookies.set(SESSION, secret)
    assert client.get("/api/v1/me").status_code == 401


def test_another_site_cannot_sign_anybody_out(as_role):
    client = as_role("viewer")
    del client.headers["X-CSRF-Token"]
    assert client.post("/logout", follow_redirects=False).status_code == 403
    assert client.get("/api/v1/me").status_code == 200


def test_a_new_sign_in_gets_a_new_secret_and_ends_the_old_session(anybody, made):
    # Fixation: a secret that was in the browser before is never the one that counts afterwards.
    anybody.cookies.set(SESSION, "chosen-by-somebody-else")
    sign_in(anybody, "vera")
    first = anybody.cookies.get(SESSION, domain="127.0.0.1") or anybody.cookies[SESSION]
    assert first != "chosen-by-somebody-else"
    field = re.search(r'value="([0-9a-f]{64})"', TestClient(anybody.app, base_url=HOST).get("/login").text)
    assert field
    made.room.accounts.logout(first)
    assert made.room.accounts.who(first) is None


def test_a_page_asked_for_without_a_session_leads_to_the_form_and_back(anybody):
    answer = anybody.get("/stations/elm_street?x=1", follow_redirects=False)
    # PlainPages have no such page, so the address is unknown; a known one is tried with the real pages below
    assert answer.status_code == 404


def test_with_the_real_pages_a_person_is_led_to_the_form(made):
    with TestClient(make_app(made.room), base_url=HOST) as client:
        answer = client.get("/stations?zone=low_town", follow_redirects=False)
        assert answer.status_code == 303
        assert answer.headers["location"] == "/login?next=%2Fstations%3Fzone%3Dlow_town"
        form = client.get(answer.headers["location"])
        assert form.status_code == 200
        assert 'name="csrf"' in form.text


@pytest.mark.parametrize(
    "wanted",
    [
        "https://evil.example/",
        "//evil.example",
        "/\\evil.example",
        "\\\\evil.example",
        "/\tevil",
        "/ok\r\nSet-Cookie: a=b",
        "javascript:alert(1)",
        "https:evil.example",
        "evil.example",
        "/login?next=/login",
        "/logout",
        "/" + "a" * 2000,
        "",
        None,
    ],
)
def test_nobody_is_sent_elsewhere_after_signing_in(wanted):
    assert safe_next(wanted) == "/"


@pytest.mark.parametrize("wanted", ["/", "/alerts?zone=a%20b", "/stations/elm_street#plot", "/a//b"])
def test_our_own_addresses_are_kept(wanted):
    assert safe_next(wanted) == wanted


def test_the_redirect_is_checked_where_the_form_is_sent_too(anybody):
    answer = sign_in(anybody, "vera", next="//evil.example/x")
    assert answer.headers["location"] == "/"


def test_who_is_signed_in_already_is_sent_on(as_role):
    answer = as_role("viewer").get("/login?next=//evil.example", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")


def test_no_secret_reaches_the_log(anybody, made, caplog):
    caplog.set_level(logging.DEBUG)
    sign_in(anybody, "vera", "some wrong words")
    sign_in(anybody, "adam")
    session = anybody.cookies[SESSION]
    csrf = anybody.get("/api/v1/me").json()["csrf_token"]
    head = {"X-CSRF-Token": csrf}
    token = anybody.post(
        "/api/v1/tokens", json={"name": "h", "scope": "read", "own_password": WORDS}, headers=head
    ).json()["secret"]
    made_one = {
        "name": "newone", "role": "viewer", "password": "seven boats in the harbour", "own_password": WORDS,
    }  # fmt: skip
    assert anybody.post("/api/v1/accounts", json=made_one, headers=head).status_code == 201
    weak = anybody.post(
        "/api/v1/accounts", json={**made_one, "name": "x", "password": "weakest"}, headers=head
    )
    assert weak.status_code == 422
    broken = anybody.post("/api/v1/accounts", json={**made_one, "role": "boss"}, headers=head)
    assert broken.status_code == 422
    anybody.get("/api/v1/me", headers={"Authorization": f"Bearer {token}"})
    made.runner.now = None  # an unexpected error, with its traceback in the log
    assert anybody.get("/api/v1/feeds").status_code == 500
    assert "incident" in caplog.text
    assert "invalid input from 'account:adam': POST '/api/v1/accounts': 'body.role'" in caplog.text
    told = caplog.text + weak.text + broken.text
    for secret in (WORDS, "some wrong words", "seven boats", "weakest", session, csrf, token):
        assert secret not in told


def test_the_accounts_of_the_tests_are_of_all_roles(as_person):
    for name, role in PEOPLE.items():
        assert as_person(name).get("/api/v1/me").json()["role"] == role
