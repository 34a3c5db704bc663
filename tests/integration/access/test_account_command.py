"""``steadyhead account``, run as a program on a database file."""

import os
import pty
import subprocess
import sys

import pyotp
import pytest

from steadyhead.access import second_factor
from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import Actor
from steadyhead.access.factor_key import FactorKey
from steadyhead.errors import SignInError
from steadyhead.store.database import open_database

WORDS = "copper kettle on the hob"
NOW_S = 1_760_000_000


@pytest.fixture
def settings(tmp_path):
    path = tmp_path / "service.yaml"
    path.write_text("data_folder: data\n")
    return path


def run(settings, *words, typed=""):
    return subprocess.run(
        [sys.executable, "-m", "steadyhead", "account", *words, "--settings", str(settings)],
        input=typed, capture_output=True, text=True, timeout=120, check=False,
        env={**os.environ, "COLUMNS": "120"},
    )  # fmt: skip


@pytest.fixture
def accounts(settings):
    (settings.parent / "data").mkdir(exist_ok=True)
    database = open_database(f"sqlite:///{settings.parent / 'data' / 'steadyhead.db'}")
    key = FactorKey(settings.parent / "data" / "second_factor.key")
    yield Accounts(database, lambda: float(NOW_S), None, key)
    database.close()


def test_the_first_account_and_what_the_list_says(settings, accounts):
    said = run(settings, "list")
    assert said.returncode == 0
    assert "make one with: steadyhead account add NAME --role administrator" in said.stdout
    made = run(settings, "add", "kim", "--role", "administrator", "--own", typed=WORDS + "\n")
    assert (made.returncode, made.stdout) == (0, "kim can sign in as administrator\n")
    assert accounts.who(accounts.login("kim", WORDS)) == Actor("kim", role="administrator")
    listed = run(settings, "list").stdout
    assert "kim" in listed
    assert "administrator" in listed
    assert WORDS not in listed + made.stdout + made.stderr


@pytest.mark.parametrize(
    ("words", "typed", "told"),
    [
        (("add", "kim", "--role", "viewer", "--own"), "short\n", "has 5 characters, wanted 12 or more"),
        (("add", "kim", "--role", "viewer", "--own"), "", "no password was given"),
        (("add", "k i m", "--role", "viewer"), "", '"k i m" cannot name an account'),
        (("add", "kim", "--role", "boss"), WORDS, "'boss' is not one of"),
        (("disable", "nobody"), "", 'there is no account "nobody"'),
        (("password", "nobody"), "", 'there is no account "nobody"'),
        (("drop-factor", "nobody"), "", 'there is no account "nobody"'),
        (("token", "h", "--scope", "read", "--days", "-1"), "", "cannot last -1 days"),
        (("revoke", "7"), "", "there is no token 7"),
    ],
)
def test_a_mistake_gets_one_line_and_code_2(settings, words, typed, told):
    said = run(settings, *words, typed=typed)
    assert said.returncode == 2
    assert told in said.stderr
    assert said.stderr.startswith("steadyhead: ")
    assert said.stderr.count("\n") == 1


def test_a_first_password_goes_alone_to_stdout_and_has_to_be_changed(settings, accounts):
    made = run(settings, "add", "kim", "--role", "administrator")
    first = made.stdout.strip()
    assert (made.returncode, made.stdout) == (0, first + "\n")
    assert "kim can sign in as administrator; first password, good until" in made.stderr
    assert first not in made.stderr
    assert accounts.who(accounts.login("kim", first)).owes == "own_password"
    assert "first password until" in run(settings, "list").stdout
    accounts.change_password("kim", first, WORDS)
    anew = run(settings, "password", "kim").stdout.strip()
    assert anew != first
    assert accounts.who(accounts.login("kim", anew)).owes == "own_password"


def test_a_lost_second_factor_is_taken_off_on_the_machine(settings, accounts):
    accounts.create("kim", "viewer", WORDS)
    assert "has no second factor" in run(settings, "drop-factor", "kim").stderr
    secret = second_factor.new_secret()
    accounts.set_up_factor("kim", WORDS, secret, pyotp.TOTP(secret).at(NOW_S))
    with pytest.raises(SignInError):
        accounts.login("kim", WORDS)
    dropped = run(settings, "drop-factor", "kim")
    assert dropped.stdout == "kim can sign in without a code; open sessions were ended\n"
    assert accounts.login("kim", WORDS)


def test_role_disable_enable_and_password(settings, accounts):
    accounts.create("kim", "viewer", WORDS)
    accounts.create("lee", "administrator", WORDS)
    session = accounts.login("kim", WORDS)
    assert run(settings, "role", "kim", "--role", "engineer").returncode == 0
    assert accounts.who(session) is None
    assert accounts.account("kim").role == "engineer"
    assert run(settings, "disable", "kim").stdout == "kim cannot sign in any more\n"
    assert "disabled" in run(settings, "list").stdout
    assert run(settings, "enable", "kim").stdout == "kim can sign in again\n"
    assert run(settings, "password", "kim", "--own", typed="seven boats in the harbour\n").returncode == 0
    assert accounts.login("kim", "seven boats in the harbour")
    last = run(settings, "disable", "lee")
    assert last.returncode == 2
    assert "only administrator left" in last.stderr


def test_a_token_goes_alone_to_stdout(settings, accounts):
    made = run(settings, "token", "historian", "--scope", "write_readings", "--days", "30")
    secret = made.stdout.strip()
    assert made.stdout == secret + "\n"
    assert accounts.by_token(secret) == Actor("historian", scope="write_readings")
    assert "it is not shown again" in made.stderr
    assert secret not in made.stderr
    endless = run(settings, "token", "probe", "--scope", "read", "--days", "0")
    assert "it has no end" in endless.stderr
    listed = run(settings, "tokens").stdout
    assert "historian" in listed
    assert "never" in listed
    assert secret not in listed
    assert run(settings, "revoke", "1").stdout == "token 1 of historian is not taken any more\n"
    assert accounts.by_token(secret) is None
    assert "revoked" in run(settings, "tokens").stdout


def test_a_typed_password_is_not_shown(settings):
    """On a terminal of its own: asked for twice, and nothing of it is echoed."""
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "steadyhead", "account", "add", "kim", "--role", "viewer", "--own",
         "--settings", str(settings)],
        stdin=follower, stdout=follower, stderr=follower, start_new_session=True,
    )  # fmt: skip
    os.close(follower)
    seen = b""
    for prompt in (b"Password: ", b"The same again: "):
        while prompt not in seen:
            seen += os.read(leader, 1000)
        os.write(leader, WORDS.encode() + b"\n")
    while True:
        try:
            more = os.read(leader, 1000)
        except OSError:  # the other end is closed: the program is done
            break
        if not more:
            break
        seen += more
    assert process.wait(30) == 0
    os.close(leader)
    assert b"kim can sign in as viewer" in seen
    assert WORDS.encode() not in seen
