"""First passwords, second factors, and what a person is told at sign-in, on SQLite and on PostgreSQL."""

import pyotp
import pytest

from steadyhead.access import second_factor
from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import Actor
from steadyhead.access.factor_key import FactorKey
from steadyhead.access.firsts import ALPHABET
from steadyhead.access.settings import AccessSettings
from steadyhead.errors import AccessError, NotFoundError, SignInError

WORDS = "copper kettle on the hob"
OTHER = "seven boats in the harbour"
DAY_S = 86_400


@pytest.fixture
def key(tmp_path):
    return FactorKey(tmp_path / "second_factor.key")


@pytest.fixture
def accounts(database, clock, key):
    return Accounts(database, clock, AccessSettings(first_password_days=3), key)


def test_a_first_password_is_random_and_good_for_choosing_an_own_one(accounts, clock):
    first = accounts.create_with_first("kim", "operator", "root")
    again = accounts.create_with_first("lee", "operator", "root")
    assert first.password != again.password
    assert len(first.password) == 19
    assert set(first.password) <= set(ALPHABET) | {"-"}
    assert first.until_s == clock.now_s + 3 * DAY_S
    assert first.password not in repr(first)
    secret = accounts.login("kim", first.password)
    assert accounts.who(secret) == Actor("kim", role="operator", owes="own_password")
    accounts.change_password("kim", first.password, WORDS)
    assert accounts.who(secret) is None
    assert accounts.who(accounts.login("kim", WORDS)) == Actor("kim", role="operator")
    with pytest.raises(SignInError):
        accounts.login("kim", first.password)


def test_a_first_password_cannot_become_the_own_one(accounts):
    first = accounts.create_with_first("kim", "operator")
    with pytest.raises(AccessError, match="is the old one; choose another"):
        accounts.change_password("kim", first.password, first.password)
    assert accounts.account("kim").first_until_s is not None


def test_a_first_password_ends_and_only_who_holds_it_is_told_so(accounts, clock):
    first = accounts.create_with_first("kim", "operator")
    clock.now_s += 3 * DAY_S - 1
    assert accounts.login("kim", first.password)
    clock.now_s += 1
    with pytest.raises(SignInError, match="first password is over; ask an administrator"):
        accounts.login("kim", first.password)
    with pytest.raises(SignInError, match="first password is over"):
        accounts.change_password("kim", first.password, WORDS)
    assert accounts.account("kim").failed == 0
    with pytest.raises(SignInError, match="name, password or code is not right"):
        accounts.login("kim", OTHER)
    anew = accounts.set_first_password("kim", "root")
    accounts.change_password("kim", anew.password, WORDS)
    clock.now_s += 1000 * DAY_S  # an own password never has to be changed
    assert accounts.who(accounts.login("kim", WORDS)).owes is None


def test_a_password_set_anew_by_an_administrator_is_a_first_one(accounts):
    accounts.create("kim", "operator", WORDS)
    session = accounts.login("kim", WORDS)
    first = accounts.set_first_password("kim", "root", OTHER)
    assert first.password == OTHER
    assert accounts.who(session) is None
    assert accounts.who(accounts.login("kim", OTHER)).owes == "own_password"
    with pytest.raises(AccessError, match="wanted 12 or more"):
        accounts.set_first_password("kim", "root", "short")
    with pytest.raises(NotFoundError):
        accounts.set_first_password("nobody")


def test_an_administrator_who_never_chose_a_password_is_not_counted_on(accounts):
    accounts.create("root", "administrator", WORDS)
    first = accounts.create_with_first("second", "administrator", "root")
    with pytest.raises(AccessError, match="only administrator left; make another one first, who signs in"):
        accounts.disable("root")
    accounts.change_password("second", first.password, OTHER)
    accounts.disable("root")


@pytest.fixture
def with_factor(accounts, clock):
    accounts.create("kim", "administrator", WORDS)
    key = second_factor.new_secret()
    accounts.set_up_factor("kim", WORDS, key, pyotp.TOTP(key).at(int(clock.now_s)))
    clock.now_s += 60
    return pyotp.TOTP(key)


def test_a_second_factor_is_asked_for_at_every_sign_in(accounts, clock, with_factor):
    for code in ("", "000000", with_factor.at(int(clock.now_s) - 600)):
        with pytest.raises(SignInError, match="name, password or code is not right"):
            accounts.login("kim", WORDS, code)
    code = with_factor.at(int(clock.now_s))
    with pytest.raises(SignInError):
        accounts.login("kim", OTHER, code)
    assert accounts.account("kim").failed == 4  # a wrong code counts as a wrong password does
    assert accounts.who(accounts.login("kim", WORDS, code)).owes is None
    with pytest.raises(SignInError):  # RFC 6238, 5.2: not twice
        accounts.login("kim", WORDS, code)
    clock.now_s += 30
    assert accounts.login("kim", WORDS, with_factor.at(int(clock.now_s)))


def test_a_second_factor_is_set_up_with_password_and_code_and_ends_sessions(accounts, clock):
    accounts.create("kim", "viewer", WORDS)
    session = accounts.login("kim", WORDS)
    key = second_factor.new_secret()
    code = pyotp.TOTP(key).at(int(clock.now_s))
    with pytest.raises(SignInError):
        accounts.set_up_factor("kim", OTHER, key, code)
    with pytest.raises(AccessError, match="code does not belong to this key"):
        accounts.set_up_factor("kim", WORDS, key, "000000")
    assert accounts.who(session) is not None
    accounts.set_up_factor("kim", WORDS, key, code)
    assert accounts.who(session) is None
    with pytest.raises(AccessError, match="take that one off first"):
        accounts.set_up_factor("kim", WORDS, key, code)
    accounts.drop_factor("kim")
    assert accounts.login("kim", WORDS)


def test_the_own_password_is_enough_to_confirm(accounts, with_factor):
    accounts.confirm("kim", WORDS)
    with pytest.raises(SignInError):
        accounts.confirm("kim", WORDS, code="000000")


def test_administrators_owe_a_second_factor_where_it_is_asked_for(database, clock, key):
    accounts = Accounts(database, clock, AccessSettings(second_factor_for_administrators=True), key)
    accounts.create("olaf", "operator", WORDS)
    first = accounts.create_with_first("kim", "administrator")
    assert accounts.who(accounts.login("olaf", WORDS)).owes is None
    assert accounts.who(accounts.login("kim", first.password)).owes == "own_password"
    accounts.change_password("kim", first.password, WORDS)
    assert accounts.who(accounts.login("kim", WORDS)).owes == "second_factor"
    secret = second_factor.new_secret()
    code = pyotp.TOTP(secret).at(int(clock.now_s))
    accounts.set_up_factor("kim", WORDS, secret, code)
    clock.now_s += 30
    session = accounts.login("kim", WORDS, pyotp.TOTP(secret).at(int(clock.now_s)))
    assert accounts.who(session) == Actor("kim", role="administrator")


def test_what_happened_is_told_to_the_session_that_asks(accounts, clock):
    accounts.create("kim", "operator", WORDS, "root")
    first = accounts.login("kim", WORDS, where="10.0.0.1")
    told = accounts.notices("kim", first)
    assert (told.before, told.failed, told.change.words) == (None, None, "the account was made")
    for where in ("10.0.0.8", "10.0.0.9"):
        clock.now_s += 60
        with pytest.raises(SignInError):
            accounts.login("kim", OTHER, where=where)
    clock.now_s += 60
    second = accounts.login("kim", WORDS, where="10.0.0.2")
    accounts.confirm("kim", WORDS)  # no sign-in
    told = accounts.notices("kim", second)
    assert (told.before.at_s, told.before.where) == (1_760_000_000, "10.0.0.1")
    assert (told.n_failed, told.failed.at_s, told.failed.where) == (2, 1_760_000_120, "10.0.0.9")
    assert (told.change.who, told.is_cut) == ("root", False)
    assert accounts.notices("kim", first).before is None  # by the session, not by the newest sign-in


def test_a_change_is_told_with_who_made_it(accounts):
    accounts.create("kim", "operator", WORDS)
    accounts.set_role("kim", "viewer", "root")
    session = accounts.login("kim", WORDS)
    change = accounts.notices("kim", session).change
    assert (change.words, change.who) == ("the role was changed", "root")
