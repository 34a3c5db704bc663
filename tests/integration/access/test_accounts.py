"""Accounts, sessions and tokens on SQLite and on PostgreSQL."""

import logging
import threading

import pytest
from sqlalchemy import select

from steadyhead.access import accounts as module
from steadyhead.access import passwords, proof
from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import Actor
from steadyhead.access.settings import AccessSettings
from steadyhead.errors import AccessError, NotFoundError, SignInError
from steadyhead.store.tables import AccountRow, AuditRow, SessionRow, TokenRow

WORDS = "copper kettle on the hob"
OTHER = "seven boats in the harbour"


@pytest.fixture
def accounts(database, clock):
    return Accounts(database, clock, AccessSettings(session_hours=12, idle_minutes=60))


def audit(database, subject):
    with database.reading() as db:
        rows = db.scalars(select(AuditRow).where(AuditRow.subject == subject).order_by(AuditRow.id))
        return [(row.who, row.what) for row in rows]


def test_signing_in_and_out(accounts):
    accounts.create("kim", "operator", WORDS)
    secret = accounts.login("kim", WORDS)
    assert accounts.who(secret) == Actor("kim", role="operator")
    accounts.logout(secret)
    assert accounts.who(secret) is None


def test_nothing_that_opens_a_door_is_stored(accounts, database):
    accounts.create("kim", "operator", WORDS)
    session = accounts.login("kim", WORDS)
    token = accounts.make_token("historian", "write_readings", "kim").secret
    with database.reading() as db:
        stored = repr(
            [
                [getattr(row, column.key) for column in table.__table__.columns]
                for table in (AccountRow, SessionRow, TokenRow, AuditRow)
                for row in db.scalars(select(table))
            ]
        )
    for secret in (WORDS, session, token, token.removeprefix("sth_")):
        assert secret not in stored


def test_no_secret_is_logged_or_told(accounts, caplog):
    caplog.set_level(logging.DEBUG)
    accounts.create("kim", "operator", WORDS)
    session = accounts.login("kim", WORDS)
    made = accounts.make_token("historian", "read", "kim")
    with pytest.raises(SignInError) as met:
        accounts.login("kim", OTHER)
    logging.getLogger().info("made %s for %s", made, accounts.who(session))
    told = caplog.text + repr(made) + str(met.value)
    for secret in (WORDS, OTHER, session, made.secret):
        assert secret not in told


def test_all_refusals_to_sign_in_read_the_same(accounts):
    accounts.create("kim", "operator", WORDS)
    accounts.create("root", "administrator", WORDS)
    accounts.create("lee", "viewer", WORDS)
    accounts.disable("lee")
    accounts.create("waits", "viewer", WORDS)
    for _ in range(5):
        with pytest.raises(SignInError):
            accounts.login("waits", OTHER)
    told = set()
    for name, password in [("kim", OTHER), ("nobody", WORDS), ("lee", WORDS), ("waits", WORDS), ("", "")]:
        with pytest.raises(SignInError) as met:
            accounts.login(name, password)
        told.add(str(met.value))
    assert told == {proof.REFUSED}


def test_as_much_work_is_done_for_a_name_that_is_not_there(accounts, monkeypatch):
    accounts.create("kim", "operator", WORDS)
    checked = []
    right = passwords.is_right
    monkeypatch.setattr(
        passwords, "is_right", lambda stored, word: checked.append(stored) or right(stored, word)
    )
    for name in ("kim", "nobody"):
        with pytest.raises(SignInError):
            accounts.login(name, OTHER)
    assert len(checked) == 2
    assert all(stored.startswith("$argon2id$") for stored in checked)


def test_failed_attempts_make_the_account_wait_longer_each_time(accounts, clock):
    # By hand from access/lockout.py: four free tries, then 30 s, 60 s.
    accounts.create("kim", "operator", WORDS)
    for _ in range(5):
        with pytest.raises(SignInError):
            accounts.login("kim", OTHER)
    assert accounts.account("kim").locked_until_s == clock.now_s + 30
    with pytest.raises(SignInError):
        accounts.login("kim", WORDS)
    assert accounts.account("kim").failed == 5  # a try while it waits counts for nothing
    clock.now_s += 30
    with pytest.raises(SignInError):
        accounts.login("kim", OTHER)
    assert accounts.account("kim").locked_until_s == clock.now_s + 60
    clock.now_s += 60
    accounts.login("kim", WORDS)
    view = accounts.account("kim")
    assert (view.failed, view.locked_until_s) == (0, None)


def test_failed_attempts_leave_open_sessions_alone(accounts):
    accounts.create("kim", "operator", WORDS)
    secret = accounts.login("kim", WORDS)
    for _ in range(8):
        with pytest.raises(SignInError):
            accounts.login("kim", OTHER)
    assert accounts.who(secret) == Actor("kim", role="operator")


def test_a_session_ends_after_its_hours_even_if_used(accounts, clock):
    accounts.create("kim", "operator", WORDS)
    secret = accounts.login("kim", WORDS)
    for _ in range(23):
        clock.now_s += 1800
        assert accounts.who(secret) is not None
    clock.now_s += 1800
    assert accounts.who(secret) is None


def test_a_session_ends_after_an_hour_of_rest(accounts, clock):
    accounts.create("kim", "operator", WORDS)
    secret = accounts.login("kim", WORDS)
    clock.now_s += 3599
    assert accounts.who(secret) is not None
    clock.now_s += 3600
    assert accounts.who(secret) is None


def test_old_sessions_are_cleared_out_at_the_next_sign_in(accounts, clock, database):
    accounts.create("kim", "operator", WORDS)
    accounts.login("kim", WORDS)
    clock.now_s += 13 * 3600
    accounts.login("kim", WORDS)
    with database.reading() as db:
        assert len(list(db.scalars(select(SessionRow)))) == 1


@pytest.mark.parametrize(
    "change",
    [
        lambda a: a.disable("kim"),
        lambda a: a.set_role("kim", "viewer"),
        lambda a: a.set_password("kim", OTHER),
        lambda a: a.change_password("kim", WORDS, OTHER),
    ],
    ids=["disabled", "another role", "password set", "password changed"],
)
def test_a_change_of_the_account_ends_its_sessions(accounts, change):
    accounts.create("kim", "operator", WORDS)
    secret = accounts.login("kim", WORDS)
    assert accounts.who(secret) is not None
    change(accounts)
    assert accounts.who(secret) is None


def test_a_disabled_account_can_be_enabled_again(accounts, database):
    accounts.create("kim", "operator", WORDS)
    accounts.disable("kim", by="root")
    with pytest.raises(SignInError):
        accounts.login("kim", WORDS)
    accounts.enable("kim", by="root")
    accounts.login("kim", WORDS)
    assert audit(database, "kim") == [
        ("command line", "account made"),
        ("root", "account disabled"),
        ("root", "account enabled"),
        ("kim", "signed in"),
    ]


def test_changing_the_password_takes_the_old_one(accounts):
    accounts.create("kim", "operator", WORDS)
    with pytest.raises(SignInError):
        accounts.change_password("kim", "not the old one at all", OTHER)
    with pytest.raises(AccessError, match="wanted 12 or more"):
        accounts.change_password("kim", WORDS, "short")
    accounts.change_password("kim", WORDS, OTHER)
    accounts.login("kim", OTHER)


def test_a_password_set_by_an_administrator_ends_the_wait(accounts):
    accounts.create("kim", "operator", WORDS)
    for _ in range(9):
        with pytest.raises(SignInError):
            accounts.login("kim", OTHER)
    accounts.set_password("kim", OTHER)
    assert accounts.who(accounts.login("kim", OTHER)) is not None


def test_a_hash_of_lower_cost_is_made_anew_at_sign_in(accounts, database, monkeypatch):
    accounts.create("kim", "operator", WORDS)
    monkeypatch.setattr(passwords, "PASSES", 2)
    accounts.login("kim", WORDS)
    with database.reading() as db:
        assert "t=2" in db.get(AccountRow, "kim").password_hash


@pytest.mark.parametrize("name", ["", " kim", "kim pemberton", "-kim", "k" * 65, "kim\n", "../kim"])
def test_a_name_that_does_not_fit_is_refused(accounts, name):
    with pytest.raises(AccessError, match="cannot name an account"):
        accounts.create(name, "viewer", WORDS)


def test_a_name_is_taken_in_any_case(accounts):
    accounts.create("kim", "viewer", WORDS)
    with pytest.raises(AccessError, match='"Kim" already; choose another name'):
        accounts.create("Kim", "viewer", WORDS)


def test_an_unknown_role_is_refused(accounts):
    with pytest.raises(AccessError, match='"boss" is no role; use one of viewer, operator'):
        accounts.create("kim", "boss", WORDS)


def test_the_last_administrator_stays(accounts):
    accounts.create("root", "administrator", WORDS)
    for change in (lambda: accounts.disable("root"), lambda: accounts.set_role("root", "viewer")):
        with pytest.raises(AccessError, match="only administrator left; make another one first"):
            change()
    accounts.create("second", "administrator", WORDS)
    accounts.disable("root")
    with pytest.raises(AccessError, match="only administrator left"):
        accounts.disable("second")


def test_an_unknown_account_is_said_to_be_unknown(accounts):
    for change in (accounts.disable, accounts.enable, accounts.account):
        with pytest.raises(NotFoundError, match='no account "nobody"'):
            change("nobody")


def test_whether_there_is_any_account(accounts):
    assert accounts.is_empty()
    accounts.create("kim", "viewer", WORDS)
    assert not accounts.is_empty()


def test_two_that_are_made_at_once_under_one_name_become_one(accounts):
    outcomes = []

    def make():
        try:
            accounts.create("kim", "viewer", WORDS)
            outcomes.append("made")
        except AccessError as exc:
            outcomes.append(str(exc))

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes).count("made") == 1
    assert sum("already; choose another name" in text for text in outcomes) == 3


def test_a_token_of_a_program(accounts, database, clock):
    made = accounts.make_token("historian", "write_readings", "root", days=30)
    assert made.secret.startswith("sth_")
    assert accounts.by_token(made.secret) == Actor("historian", scope="write_readings")
    assert made.view.expires_s == clock.now_s + 30 * 86400
    assert accounts.list_tokens()[0].used_s == clock.now_s
    assert audit(database, str(made.view.token_id)) == [("root", "token made")]


def test_a_token_ends_when_it_said(accounts, clock):
    made = accounts.make_token("historian", "read", "root", days=1)
    clock.now_s += 86399
    assert accounts.by_token(made.secret) is not None
    clock.now_s += 1
    assert accounts.by_token(made.secret) is None
    # 1760000000 is 2025-10-09 08:53:20 UTC; one day later
    assert (
        accounts.tokens.why_not(made.secret)
        == 'the token "historian" ended on 2025-10-10, 08:53 UTC; ask for a new one'
    )


def test_a_revoked_token_is_refused_at_once_and_stays_listed(accounts, database):
    made = accounts.make_token("historian", "read", "root", days=None)
    assert accounts.by_token(made.secret) is not None
    accounts.tokens.revoke(made.view.token_id, "lee")
    accounts.tokens.revoke(made.view.token_id, "lee")
    assert accounts.by_token(made.secret) is None
    assert "was revoked on 2025-10-09" in accounts.tokens.why_not(made.secret)
    assert [view.name for view in accounts.list_tokens()] == ["historian"]
    assert audit(database, str(made.view.token_id)) == [("root", "token made"), ("lee", "token revoked")]
    with pytest.raises(NotFoundError, match="no token 999"):
        accounts.tokens.revoke(999, "lee")


@pytest.mark.parametrize("secret", ["", "sth_", "sth_nothing", "x" * 5000, "sth_" + "y" * 43, "\udcff"])
def test_what_is_no_token_is_not_known(accounts, secret):
    accounts.make_token("historian", "read", "root")
    assert accounts.by_token(secret) is None
    assert "not known" in accounts.tokens.why_not(secret)


@pytest.mark.parametrize(
    ("name", "scope", "days", "told"),
    [
        ("", "read", 1, "cannot name a token"),
        ("a<b>", "read", 1, "cannot name a token"),
        ("ok", "admin", 1, '"admin" is no scope; use one of read, write_readings'),
        ("ok", "read", 0, "cannot last 0 days"),
        ("ok", "read", -3, "cannot last -3 days"),
        ("ok", "read", 99999, "at most 3650"),
        ("ok", "read", float("nan"), "cannot last nan days"),
    ],
)
def test_a_token_that_does_not_fit_is_refused(accounts, name, scope, days, told):
    with pytest.raises(AccessError, match=told):
        accounts.make_token(name, scope, "root", days)


def test_a_name_taken_between_look_and_write_is_refused_in_words(accounts, monkeypatch):
    accounts.create("kim", "viewer", WORDS)
    monkeypatch.setattr(module, "_like", lambda db, name: None)
    with pytest.raises(AccessError, match='"kim" already; choose another name'):
        accounts.create("kim", "viewer", WORDS)
