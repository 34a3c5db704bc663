"""Who has a first password, or lacks a second factor that is asked for, gets nowhere before it is mended."""

import html
import re

import pyotp
import pytest
from api_room import HOST, WORDS, sign_in
from fastapi.testclient import TestClient
from test_roles_and_routes import OPEN, OPEN_STATIC, VALUES, operations

from steadyhead.api import openapi
from steadyhead.api.app import make_app

OWN = "seven boats in the harbour"
PROBLEM = "urn:steadyhead:problem:"
AGAIN = {"own_password": WORDS}


def a_browser(app):
    return TestClient(app, base_url=HOST, client=("127.0.0.1", 50003), raise_server_exceptions=False)


@pytest.fixture
def pages(made):
    """The application with the real pages."""
    return make_app(made.room)


def field(page, name):
    found = re.search(rf'name="{name}" value="([^"]*)"', page)
    return html.unescape(found.group(1))


def filled(path):
    return re.sub(r"\{(\w+)(:path)?\}", lambda found: VALUES.get(found[1], "1"), path)


def arrive(made, app, name="newone", role="administrator"):
    """A browser that has signed in with a first password."""
    first = made.room.accounts.create_with_first(name, role, "adam").password
    client = a_browser(app)
    assert sign_in(client, name, first).status_code == 303
    client.headers["X-CSRF-Token"] = client.get("/api/v1/me").json()["csrf_token"]
    return client, first


def test_a_first_password_opens_no_operation_but_the_way_out(made, pages):
    client, _ = arrive(made, pages)
    let_through = set()
    for method, path, route in operations(pages):
        if (method, path) in OPEN or path.startswith(OPEN_STATIC):
            continue
        assert openapi.act_of(route) is not None
        answer = client.request(method, filled(path), json={}, follow_redirects=False)
        if path.startswith("/api/"):
            if answer.status_code != 403:
                let_through.add((method, path))
                continue
            assert answer.json()["type"] == PROBLEM + "password-to-choose", path
            assert "POST /api/v1/me/password" in answer.json()["what_to_do"]
        elif method == "GET" and answer.status_code == 303:
            assert answer.headers["location"].startswith("/me/password"), path
        elif answer.status_code != 403:
            let_through.add((method, path))
    assert let_through == {
        ("GET", "/api/v1/me"),
        ("POST", "/api/v1/me/password"),
        ("GET", "/me/password"),
        ("POST", "/me/password"),
    }


def test_a_program_learns_what_is_owed_and_mends_it(made, app):
    client, first = arrive(made, app)
    me = client.get("/api/v1/me").json()
    assert (me["owes"], me["may"]) == ("own_password", ["enter"])
    assert client.get("/api/v1/events").status_code == 403
    asked = {"old": first, "new": first}
    assert "is the old one" in client.post("/api/v1/me/password", json=asked).json()["detail"]
    assert client.post("/api/v1/me/password", json={"old": first, "new": OWN}).status_code == 204
    assert client.get("/api/v1/me").status_code == 401
    del client.headers["X-CSRF-Token"]  # of the session that is over
    assert sign_in(client, "newone", OWN).status_code == 303
    assert client.get("/api/v1/me").json()["owes"] is None
    assert client.get("/api/v1/alerts").status_code == 200


def test_an_account_made_by_an_administrator_has_a_first_password(made, app, as_role):
    administrator = as_role("administrator")
    asked = {**AGAIN, "name": "newone", "role": "viewer"}
    shown = administrator.post("/api/v1/accounts", json=asked).json()
    assert shown["first_password_until"] == "2025-10-24T06:00:00Z"  # by hand: seven days from the 17th
    assert sign_in(a_browser(app), "newone", shown["first_password"]).status_code == 303
    path = "/api/v1/accounts/newone"
    assert 'first_password"' not in administrator.get(path).text
    given = administrator.patch(path, json={**AGAIN, "password": OWN}).json()
    assert (given["first_password"], given["first_password_until"]) == (None, "2025-10-24T06:00:00Z")
    made_up = administrator.patch(path, json={**AGAIN, "new_first_password": True}).json()["first_password"]
    assert made_up != shown["first_password"]
    both = administrator.patch(path, json={**AGAIN, "new_first_password": True, "password": OWN})
    assert "send either password or new_first_password" in both.json()["detail"]
    mine = administrator.patch("/api/v1/accounts/adam", json={**AGAIN, "password": OWN}).json()
    assert mine["first_password_until"] is None, "who sets the own password has chosen it"


def test_a_token_needs_no_password_of_its_own(made, as_token):
    made.room.accounts.set_first_password("adam", "command line")  # who made the token
    assert as_token("read").get("/api/v1/alerts").status_code == 200


def test_a_token_is_made_only_by_who_gives_the_own_password_again(as_role, made):
    administrator = as_role("administrator")
    asked = {"name": "historian", "scope": "read"}
    assert "body.own_password" in administrator.post("/api/v1/tokens", json=asked).json()["detail"]
    wrong = administrator.post("/api/v1/tokens", json={**asked, "own_password": "some wrong words"})
    assert wrong.status_code == 401
    assert made.room.accounts.list_tokens() == []


def test_a_person_is_led_through_the_pages_and_to_where_the_link_went(made, pages):
    first = made.room.accounts.create_with_first("newone", "operator", "adam").password
    client = a_browser(pages)
    sign_in(client, "newone", first, next="/load")
    page = client.get("/load")
    assert (page.url.path, page.url.params["next"]) == ("/me/password", "/load")
    assert "<nav" not in page.text, "nothing of the utility is shown yet"
    assert "data-events" not in page.text
    sent = {"csrf": field(page.text, "csrf"), "next": field(page.text, "next"), "old": first}
    weak = client.post("/me/password", data={**sent, "new": "short"})
    assert weak.status_code == 422
    assert "The password has 5 characters" in weak.text
    wrong = client.post("/me/password", data={**sent, "old": WORDS, "new": OWN})
    assert wrong.status_code == 401
    done = client.post("/me/password", data={**sent, "new": OWN})
    assert "The password is changed. Sign in with the new one." in done.text
    arrived = sign_in(client, "newone", OWN, next=field(done.text, "next"))
    assert arrived.headers["location"] == "/load"


def test_the_first_page_after_a_sign_in_tells_what_happened_and_the_next_does_not(made, pages):
    client = a_browser(pages)
    sign_in(client, "vera")
    client.get("/load")
    made.clock.now_s += 600
    sign_in(a_browser(pages), "vera", "wrong words here")
    client.post("/logout", data={"csrf": client.get("/api/v1/me").json()["csrf_token"]})
    sign_in(client, "vera")
    page = re.sub(r"<[^>]+>|\s+", " ", client.get("/load").text)
    page = " ".join(page.split())
    assert re.search(r"Last sign-in before this one: .{5,30} from 127\.0\.0\.1\.", page)
    assert re.search(r"Since then 1 attempt failed, the last .{5,30} from 127\.0\.0\.1\.", page)
    assert "Last change of the account: the account was made," in page
    assert "Since then" not in client.get("/load").text
    assert "Since then 1 attempt failed" in client.get("/me").text


@pytest.mark.parametrize("access", [{"second_factor_for_administrators": True}])
def test_an_administrator_sets_up_the_second_factor_that_is_asked_for(made, pages):
    client = a_browser(pages)
    sign_in(client, "adam")
    refused = client.get("/api/v1/alerts").json()
    assert refused["type"] == PROBLEM + "second-factor-to-set-up"
    page = client.get("/stations")
    assert page.url.path == "/me/second-factor"
    assert "data:image/svg+xml" in page.text
    key = field(page.text, "key")
    codes = pyotp.TOTP(key)
    sent = {
        "csrf": field(page.text, "csrf"), "next": field(page.text, "next"), "key": key,
        "sealed": field(page.text, "sealed"), "password": WORDS, "code": codes.at(int(made.clock.now_s)),
    }  # fmt: skip
    other = {**sent, "key": pyotp.random_base32(32)}
    assert client.post("/me/second-factor", data=other).status_code == 403, "only a key of ours"
    assert client.post("/me/second-factor", data={**sent, "password": OWN}).status_code == 401
    assert client.post("/me/second-factor", data={**sent, "code": "000000"}).status_code == 422
    assert "Sign in with a code" in client.post("/me/second-factor", data=sent).text
    made.clock.now_s += 30
    assert sign_in(client, "adam").status_code == 401
    code = codes.at(int(made.clock.now_s))
    assert sign_in(client, "adam", code=code, next="/stations").headers["location"] == "/stations"
    assert client.get("/stations").status_code == 200
    assert client.get("/api/v1/accounts/adam").json()["has_second_factor"] is True
    drop = {"csrf": client.get("/api/v1/me").json()["csrf_token"], "password": WORDS, "code": code}
    assert client.post("/me/second-factor/drop", data=drop).status_code == 401, "no code twice"
    made.clock.now_s += 30
    drop["code"] = codes.at(int(made.clock.now_s))
    assert client.post("/me/second-factor/drop", data=drop, follow_redirects=False).status_code == 303
    assert made.room.accounts.account("adam").has_factor is False


def test_others_may_have_a_second_factor_and_need_none(made, pages):
    client = a_browser(pages)
    sign_in(client, "vera")
    assert client.get("/stations").status_code == 200
    assert "Set it up and sign in anew" in client.get("/me/second-factor").text
