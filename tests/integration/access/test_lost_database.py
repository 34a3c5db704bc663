"""While the database is gone, who was let in before still is; PostgreSQL is really stopped."""

import pytest

from steadyhead.access import passwords, remembered
from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import Actor
from steadyhead.errors import DatabaseError
from steadyhead.store.database import open_database

WORDS = "copper kettle on the hob"


class Clock:
    now_s = 1_760_000_000.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def accounts(postgres_url, clock, monkeypatch):
    monkeypatch.setattr(passwords, "MEMORY_KIB", 1024)
    database = open_database(postgres_url)
    yield Accounts(database, clock)
    database.close()


def test_a_known_token_and_session_hold_while_the_server_is_down(accounts, clock, postgres_server):
    accounts.create("kim", "operator", WORDS)
    session = accounts.login("kim", WORDS)
    known = accounts.make_token("historian", "write_readings", "kim", days=1).secret
    never_seen = accounts.make_token("other", "write_readings", "kim").secret
    assert accounts.by_token(known)
    assert accounts.who(session)
    postgres_server.stop()
    try:
        assert accounts.by_token(known) == Actor("historian", scope="write_readings")
        assert accounts.who(session) == Actor("kim", role="operator")
        with pytest.raises(DatabaseError):
            accounts.by_token(never_seen)
        with pytest.raises(DatabaseError):
            accounts.login("kim", WORDS)
        clock.now_s += 86400
        assert accounts.by_token(known) is None  # its own end holds all the same
    finally:
        postgres_server.start()
    clock.now_s -= 86400
    clock.now_s += remembered.ASK_AGAIN_S
    assert accounts.by_token(never_seen) == Actor("other", scope="write_readings")
    assert accounts.who(session) == Actor("kim", role="operator")
