"""The page of accounts over HTTP: what is said, written down and ended, by the code of the API."""

import re

import pyotp
import pytest
from api_room import HOST, WORDS, sign_in
from fastapi.testclient import TestClient
from sqlalchemy import select

from steadyhead.access import second_factor
from steadyhead.api.app import make_app
from steadyhead.errors import NotFoundError, SignInError
from steadyhead.store.tables import AuditRow


@pytest.fixture
def client(made):
    """An administrator's browser."""
    with TestClient(make_app(made.room), base_url=HOST) as found:
        sign_in(found, "adam")
        yield found


def send(client, path, **fields):
    csrf = client.get("/api/v1/me").json()["csrf_token"]
    return client.post(path, data={"csrf": csrf, **fields})


def set_up(made, name):
    """A second factor of a person."""
    secret = second_factor.new_secret()
    code = pyotp.TOTP(secret).at(int(made.clock.now_s))
    made.room.accounts.set_up_factor(name, WORDS, secret, code)


def noted(made, subject):
    with made.database.reading() as db:
        rows = db.scalars(select(AuditRow).where(AuditRow.subject == subject).order_by(AuditRow.id))
        return [(row.what, row.who) for row in rows]


def test_a_second_factor_is_reset_on_the_page_and_by_the_api(made, client):
    set_up(made, "olaf")
    assert "Take the second factor off" in client.get("/accounts/olaf").text
    done = send(client, "/accounts/olaf/factor", own_password=WORDS)
    assert "The second factor is taken off." in done.text
    assert made.room.accounts.account("olaf").has_factor is False
    assert noted(made, "olaf")[-1] == ("second factor dropped", "adam")
    again = send(client, "/accounts/olaf/factor", own_password=WORDS)
    assert again.status_code == 422
    set_up(made, "olaf")
    headers = {"X-CSRF-Token": client.get("/api/v1/me").json()["csrf_token"]}
    asked = {"drop_second_factor": True, "own_password": WORDS}
    answer = client.patch("/api/v1/accounts/olaf", json=asked, headers=headers)
    assert answer.json()["has_second_factor"] is False


def test_signing_somebody_out_ends_their_sessions_and_changes_nothing_else(made, client):
    for send_it in (
        lambda: send(client, "/accounts/olaf/sessions", own_password=WORDS),
        lambda: client.patch(
            "/api/v1/accounts/olaf",
            json={"end_sessions": True, "own_password": WORDS},
            headers={"X-CSRF-Token": client.get("/api/v1/me").json()["csrf_token"]},
        ),
    ):
        theirs = made.room.accounts.login("olaf", WORDS)
        before = made.room.accounts.account("olaf")
        assert send_it().status_code == 200
        assert made.room.accounts.who(theirs) is None
        assert made.room.accounts.account("olaf") == before
        assert noted(made, "olaf")[-1] == ("sessions ended", "adam")
    with pytest.raises(NotFoundError):
        made.room.accounts.end_sessions("nobody")


def test_an_account_that_waits_says_so_and_is_let_in_again(made, client):
    for _ in range(5):
        with pytest.raises(SignInError):
            made.room.accounts.confirm("olaf", "not this one at all")
    page = client.get("/accounts/olaf").text
    assert re.search(r"waits after \d+ failed sign-ins, until <time", page)
    assert "End the wait" in page
    send(client, "/accounts/olaf/enable", own_password=WORDS)
    assert made.room.accounts.account("olaf").failed == 0
    assert made.room.accounts.login("olaf", WORDS)


def test_without_the_own_password_nothing_is_changed(made, client):
    refused = send(client, "/accounts/olaf/disable", own_password="not this one at all")
    assert refused.status_code == 422
    assert "This is not your password" in refused.text
    assert "not this one at all" not in refused.text
    empty = send(client, "/accounts/olaf/disable")
    assert "Type your own password" in empty.text
    assert made.room.accounts.account("olaf").is_disabled is False
    assert made.room.accounts.account("adam").failed == 1  # guessing there counts as guessing at the door
    assert send(client, "/accounts/nobody/disable", own_password=WORDS).status_code == 404


@pytest.mark.parametrize(
    ("path", "fields", "said"),
    [
        ("/accounts", {"name": " ", "role": "viewer"}, "Type the name with which the person will sign in"),
        ("/accounts", {"name": "kim", "role": "king"}, "Choose one of viewer, operator, engineer, admin"),
        ("/accounts/olaf/role", {"role": "king"}, "Choose one of viewer, operator, engineer, administrator"),
        ("/accounts/adam/first-password", {}, "Choose your own password on the page of your name"),
        ("/tokens", {"program": "", "scope": "read", "life": "30"}, "Type the name of the program"),
        ("/tokens", {"program": "a&b", "scope": "read", "life": "30"}, "cannot name a token; use up to 64"),
        ("/tokens", {"program": "a", "scope": "all", "life": "30"}, "Choose what it is for"),
        ("/tokens", {"program": "a", "scope": "read", "life": "1e9"}, "Choose how long it is good"),
    ],
)
def test_a_fault_is_said_in_words_and_nothing_is_made(made, client, path, fields, said):
    answer = send(client, path, own_password=WORDS, **fields)
    assert answer.status_code == 422
    assert said in answer.text
    assert len(made.room.accounts.accounts()) == 4
    assert made.room.accounts.list_tokens() == []
    assert made.room.accounts.account("adam").first_until_s is None
