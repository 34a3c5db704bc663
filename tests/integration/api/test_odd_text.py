"""Text that databases and browsers stumble over, in every place that takes text; on SQLite and PostgreSQL."""

import json

import pytest
from fastapi.testclient import TestClient
from running_room import WORDS, opened

from steadyhead.access import passwords
from steadyhead.access.secrets import csrf_of
from steadyhead.api.app import make_app

HOST = "http://127.0.0.1:8470"
NUL = "a\x00b"


@pytest.fixture
def client(tmp_path, database_url, monkeypatch):
    monkeypatch.setattr(passwords, "MEMORY_KIB", 64)
    plenty = dict.fromkeys(("requests_per_minute", "address_requests_per_minute", "logins_per_minute"), 10**6)
    room = opened(tmp_path, database_url=database_url, access=plenty)
    room.accounts.create("adam", "administrator", WORDS)
    secret = room.accounts.login("adam", WORDS)
    with TestClient(make_app(room), base_url=HOST, raise_server_exceptions=False) as found:
        found.cookies.set("steadyhead_session", secret)
        found.headers["X-CSRF-Token"] = csrf_of(secret)
        yield found


ADDRESSES = [
    "/api/v1/alerts?zone={}",
    "/api/v1/alerts?station={}",
    "/api/v1/alerts?after={}",
    "/api/v1/alerts/{}",
    "/api/v1/stations?after={}&zone={}",
    "/api/v1/stations/{}",
    "/api/v1/stations/{}/series",
    "/api/v1/findings?station={}",
    "/api/v1/findings?alert_id={}",
    "/api/v1/feeds/refused?source={}",
    "/api/v1/feeds/refused?station={}",
    "/api/v1/profiles/{}",
    "/api/v1/accounts/{}",
    "/login?next={}",
    "/stations/{}",
    "/alerts/{}",
]


ODD_ADDRESSES = ["a%00b", "%FF%FE", "%ED%A0%80", "%F0%9F%92%A7", "%E2%80%AE", "'--", "%25", "a" * 3000]


def test_odd_text_in_an_address(client):
    for odd in ODD_ADDRESSES:
        for address in ADDRESSES:
            answer = client.get(address.replace("{}", odd), follow_redirects=False)
            assert answer.status_code < 429, (address, odd, answer.text)


BODIES = [
    ("post", "/api/v1/suppressions", {"station": "elm_street", "why": "{}"}),
    ("post", "/api/v1/suppressions", {"zone": "{}", "why": "flushing"}),
    ("post", "/api/v1/stations/elm_street/out-of-service", {"why": "{}"}),
    ("post", "/api/v1/stations/elm_street/return-to-service", {"why": "{}"}),
    ("post", "/api/v1/findings", {"station": "elm_street", "condition": "drift", "text": "{}", "done": "{}"}),
    ("post", "/api/v1/findings", {"station": "elm_street", "condition": "drift", "cause_key": "{}"}),
    ("post", "/api/v1/findings", {"station": "{}", "condition": "drift", "text": "x"}),
    (
        "post",
        "/api/v1/accounts",
        {"name": "{}", "role": "viewer", "password": "copper kettle on the hob", "own_password": WORDS},
    ),
    (
        "post",
        "/api/v1/accounts",
        {
            "name": "newone",
            "role": "viewer",
            "password": "copper kettle on the hob {}",
            "own_password": WORDS,
        },
    ),
    ("post", "/api/v1/tokens", {"name": "{}", "scope": "read", "own_password": WORDS}),
    ("post", "/api/v1/me/password", {"old": "{}", "new": "seven boats in the harbour"}),
]


ODD_BODIES = ["a\\u0000b", "\\ud800", "\\u202e", "💧", "'; --", "<b>", "\\r\\nX: y"]


def test_odd_text_in_a_body(client):
    for odd in ODD_BODIES:
        for method, address, body in BODIES:
            sent = json.dumps(body, ensure_ascii=False).replace("{}", odd).encode()
            answer = client.request(
                method, address, content=sent, headers={"Content-Type": "application/json"}
            )
            assert answer.status_code < 429, (address, body, odd, answer.text)
            if "u0000" in odd or "ud800" in odd:
                assert answer.status_code in (401, 404, 422), (address, body, answer.text)


def test_the_refusal_of_a_zero_character_says_so(client):
    answer = client.post("/api/v1/suppressions", json={"station": "elm_street", "why": NUL})
    assert answer.status_code == 422
    assert answer.json()["errors"] == [
        {"field": "body.why", "message": "holds a zero character; leave it out"}
    ]
    answer = client.get("/api/v1/alerts?zone=a%00b")
    assert answer.status_code == 422
    assert "the address holds a zero character" in answer.json()["detail"]


def test_odd_text_in_the_sign_in_form(client):
    for name in (NUL, "💧", "'; --", "x" * 150):
        page = client.__class__(client.app, base_url=HOST, raise_server_exceptions=False)
        field = page.get("/login").text.split('name="csrf" value="', 1)[1].split('"', 1)[0]
        for password in (NUL, WORDS):
            answer = page.post("/login", data={"name": name, "password": password, "csrf": field})
            assert answer.status_code in (401, 422), (name, answer.text)


def test_text_is_kept_as_it_was_written(client):
    why = "Ventil gewartet – 5 °C, «nächtlich» 💧 <b>'; DROP TABLE alerts; --"
    shown = client.post("/api/v1/suppressions", json={"station": "elm_street", "why": why}).json()
    assert shown["why"] == why
    assert [item["why"] for item in client.get("/api/v1/suppressions").json()["items"]] == [why]


HEADERS = ("Authorization", "Cookie", "X-CSRF-Token", "Last-Event-ID", "Origin", "Host")
ODD_HEADERS = (b"\xff\xfe", b"\x00", b"a" * 5000, b"Bearer " + b"\xe2\x80\xae" * 9, b";;==,,")


def test_odd_text_in_a_header(client):
    for header in HEADERS:
        for odd in ODD_HEADERS:
            for address in ("/api/v1/me", "/metrics", "/login", "/api/v1/suppressions"):
                method = "POST" if address.endswith("suppressions") else "GET"
                answer = client.request(
                    method, address, headers={header.encode(): odd}, follow_redirects=False
                )
                assert answer.status_code < 429, (header, odd, address, answer.text)
