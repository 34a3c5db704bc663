"""Second factors are sealed in the database, SQLite and PostgreSQL; without their key nobody gets by."""

import base64
import stat

import pyotp
import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine, select, text

from steadyhead.access import passwords, second_factor
from steadyhead.access.accounts import Accounts
from steadyhead.access.factor_key import FactorKey, is_sealed
from steadyhead.errors import FactorKeyError, SignInError
from steadyhead.live.room import accounts_of
from steadyhead.live.settings import RoomSettings
from steadyhead.store.database import open_database
from steadyhead.store.tables import AccountRow, AuditRow
from steadyhead.store.upgrade import FOLDER

WORDS = "copper kettle on the hob"


@pytest.fixture
def key(tmp_path):
    return FactorKey(tmp_path / "second_factor.key")


@pytest.fixture
def accounts(database, clock, key):
    return Accounts(database, clock, None, key)


def with_factor(accounts, clock, name):
    """An account with a second factor; its secret."""
    accounts.create(name, "operator", WORDS)
    secret = second_factor.new_secret()
    accounts.set_up_factor(name, WORDS, secret, pyotp.TOTP(secret).at(int(clock.now_s)))
    clock.now_s += 30
    return secret


def stored(database, name):
    with database.reading() as db:
        return db.get_one(AccountRow, name).factor_secret


def put(database, name, value):
    with database.session() as db:
        db.get_one(AccountRow, name).factor_secret = value


def test_what_is_stored_is_sealed_and_opens_at_sign_in(accounts, database, clock, key):
    secret = with_factor(accounts, clock, "kim")
    kept = stored(database, "kim")
    assert is_sealed(kept)
    assert secret not in kept
    assert key.open(kept, "kim") == secret
    assert stat.S_IMODE(key.path.stat().st_mode) == 0o600
    assert accounts.login("kim", WORDS, pyotp.TOTP(secret).at(int(clock.now_s)))
    assert key.seal(secret, "kim") != kept  # drawn anew, or equal secrets could be told
    assert list(key.path.parent.glob(".second_factor*")) == []


def test_what_is_moved_to_another_account_or_altered_does_not_open(accounts, database, clock):
    secret = with_factor(accounts, clock, "kim")
    with_factor(accounts, clock, "lee")
    kept = stored(database, "kim")
    put(database, "lee", kept)
    code = pyotp.TOTP(secret).at(int(clock.now_s))
    with pytest.raises(FactorKeyError, match=r'"lee" was altered in the database, or belongs to another'):
        accounts.login("lee", WORDS, code)
    head, _, packed = kept.rpartition(".")
    raw = base64.urlsafe_b64decode(packed)
    for at in (0, 12, len(raw) - 1):  # nonce, text, tag
        other = raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :]
        put(database, "kim", f"{head}.{base64.urlsafe_b64encode(other).decode()}")
        with pytest.raises(FactorKeyError, match="take the second factor off"):
            accounts.login("kim", WORDS, code)
    for cut in ("", packed[:8], packed[:-1], packed + "é"):
        put(database, "kim", f"{head}.{cut}")
        with pytest.raises(FactorKeyError, match="was altered"):
            accounts.login("kim", WORDS, code)
    put(database, "kim", kept)
    assert accounts.login("kim", WORDS, code)


def test_without_its_key_nobody_gets_by_and_the_file_is_named(accounts, database, clock, key, caplog):
    secret = with_factor(accounts, clock, "kim")
    code = pyotp.TOTP(secret).at(int(clock.now_s))
    true = key.path.read_text()
    key.path.unlink()
    with pytest.raises(FactorKeyError, match=r"second_factor\.key: the key of second factors is missing"):
        accounts.login("kim", WORDS, code)
    assert not key.path.exists()  # looking makes none
    with pytest.raises(SignInError, match="name, password or code is not right"):  # no more to who guesses
        accounts.login("kim", "seven boats in the harbour", code)
    key.path.write_text(base64.b64encode(bytes(32)).decode())
    with pytest.raises(FactorKeyError, match=r"second_factor\.key: holds another key than the one"):
        accounts.login("kim", WORDS, code)
    assert accounts.seal_factors() == []
    assert 'second factor of "kim" cannot be checked' in caplog.text
    key.path.write_text("not a key")
    with pytest.raises(FactorKeyError, match="holds no key; wanted 32 random bytes in base64"):
        accounts.login("kim", WORDS, code)
    accounts.drop_factor("kim", "root")  # what an administrator does
    assert accounts.login("kim", WORDS)
    key.path.write_text(true)
    assert accounts.account("kim").failed == 0


def test_a_key_that_others_can_read_is_told_of(accounts, clock, key, caplog):
    with_factor(accounts, clock, "kim")
    assert "others on this machine" not in caplog.text
    key.path.chmod(0o644)
    with_factor(accounts, clock, "lee")
    assert "second_factor.key: others on this machine may read or write it" in caplog.text


def test_a_fleet_that_names_no_key_is_told_to(database, clock):
    accounts = Accounts(database, clock)
    accounts.create("kim", "operator", WORDS)
    secret = second_factor.new_secret()
    with pytest.raises(FactorKeyError, match="name it under access: second_factor_key_file"):
        accounts.set_up_factor("kim", WORDS, secret, pyotp.TOTP(secret).at(int(clock.now_s)))
    assert accounts.account("kim").has_factor is False


def test_a_key_that_cannot_be_made_says_where(database, clock, tmp_path):
    accounts = Accounts(database, clock, None, FactorKey(tmp_path / "gone" / "key"))
    with pytest.raises(FactorKeyError, match=r"gone/key: the key of second factors cannot be made"):
        with_factor(accounts, clock, "kim")


def test_a_service_seals_at_its_start_under_the_key_of_its_data_folder(accounts, database, clock, tmp_path):
    secret = with_factor(accounts, clock, "kim")
    put(database, "kim", secret)
    started = accounts_of(RoomSettings(data_folder=tmp_path), database, clock)
    assert FactorKey(tmp_path / "second_factor.key").open(stored(database, "kim"), "kim") == secret
    assert started.login("kim", WORDS, pyotp.TOTP(secret).at(int(clock.now_s)))
    put(database, "kim", secret)
    with pytest.raises(FactorKeyError, match=r"gone/second_factor\.key: .* cannot be made"):
        accounts_of(RoomSettings(data_folder=tmp_path / "gone"), database, clock)
    assert stored(database, "kim") == secret  # all or nothing


def test_what_an_older_version_kept_in_clear_is_sealed(database_url, clock, key, tmp_path):
    """The tables as they were at step 0003, made by the migrations up to there."""
    secret = second_factor.new_secret()
    engine = create_engine(database_url.replace("postgresql://", "postgresql+psycopg://"))
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0003")
        insert = text(
            "INSERT INTO accounts (name, role, password_hash, created_s, is_disabled, failed, factor_secret)"
            " VALUES (:name, 'operator', :hashed, 1, false, 0, :secret)"
        )
        hashed = passwords.hashed(WORDS)
        connection.execute(insert, {"name": "kim", "hashed": hashed, "secret": secret})
        connection.execute(insert, {"name": "lee", "hashed": hashed, "secret": None})
        connection.execute(text("INSERT INTO sessions VALUES ('x', 'kim', 1, 1, 2)"))
    engine.dispose()
    database = open_database(database_url)
    accounts = Accounts(database, clock, None, key)
    code = pyotp.TOTP(secret).at(int(clock.now_s))
    with pytest.raises(FactorKeyError, match="unsealed; restart the service"):  # never taken in clear
        accounts.login("kim", WORDS, code)
    assert accounts.seal_factors() == ["kim"]
    assert accounts.seal_factors() == []
    assert key.open(stored(database, "kim"), "kim") == secret
    assert stored(database, "lee") is None
    assert accounts.login("kim", WORDS, code)
    with database.reading() as db:
        notes = db.scalars(select(AuditRow).where(AuditRow.what == "second factor sealed")).all()
        assert [(row.who, row.subject) for row in notes] == [("service", "kim")]
    database.close()
    for path in tmp_path.glob("steadyhead.db*"):  # nothing is left of it in the file of a SQLite either
        assert secret.encode() not in path.read_bytes()
