"""The database on SQLite and on a real PostgreSQL: tables, migrations, transactions, and how it says no."""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import create_engine, exc, inspect, select, text

from steadyhead.errors import DatabaseError
from steadyhead.store import database as database_module
from steadyhead.store.database import Database, open_database
from steadyhead.store.tables import AccountRow, AlertRow, AuditRow, Base, CounterRow, SessionRow
from steadyhead.store.upgrade import FOLDER

TABLES = {
    "alerts", "raises", "announcements", "counters", "audit", "station_service", "suppressions", "findings",
    "proofs", "accounts", "sessions", "tokens", "outbox", "checkpoints", "refused", "feeds",
    "members", "holdings", "sharing", "share_inbox", "share_records", "share_positions", "share_counts",
    "share_refusals", "share_views",
}  # fmt: skip


def line(why: str = "") -> AuditRow:
    return AuditRow(
        at_s=4_000_000_000,
        who="somebody",
        what="looked",
        subject_kind="alert",
        subject="x",
        why=why,
        details={},
    )


def test_migrations_make_the_tables_that_the_program_knows(database: Database) -> None:
    assert set(inspect(database.engine).get_table_names()) == TABLES | {"alembic_version"}
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_opening_again_changes_nothing_and_keeps_what_is_there(database: Database, database_url: str) -> None:
    with database.session() as session:
        session.add(line("kept"))
    again = open_database(database_url)
    with again.reading() as session:
        row = session.scalars(select(AuditRow)).one()
        assert (row.why, row.at_s) == ("kept", 4_000_000_000)  # past 2038, so a 32-bit column would fail
    again.close()


def test_two_programs_that_start_at_once_both_open_it(database_url: str) -> None:
    opened: list[Database] = []
    failed: list[BaseException] = []

    def start() -> None:
        try:
            opened.append(open_database(database_url))
        except BaseException as error:  # the test wants to see whatever it was
            failed.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failed == []
    assert len(opened) == 4
    for one in opened:
        one.check()
        one.close()


def write_and_fail(database: Database) -> None:
    with database.session() as session:
        session.add(line())
        session.flush()
        raise RuntimeError("in the middle")


def write(database: Database, why: str = "") -> None:
    with database.session() as session:
        session.add(line(why))


def take_the_lock(database: Database) -> None:
    with database.session() as session:
        session.get(CounterRow, "n", with_for_update=True)


def test_a_failed_transaction_leaves_nothing(database: Database) -> None:
    with pytest.raises(RuntimeError, match="in the middle"):
        write_and_fail(database)
    with database.reading() as session:
        assert session.scalars(select(AuditRow)).all() == []


def test_what_refers_to_nothing_is_refused(database: Database) -> None:
    stray = SessionRow(token_hash="x", account="nobody", created_s=1, seen_s=1, expires_s=2)
    with pytest.raises(exc.IntegrityError), database.session() as session:
        session.add(stray)


@pytest.mark.parametrize("statement", ["UPDATE audit SET why = 'another'", "DELETE FROM audit"])
def test_the_audit_cannot_be_altered_even_by_hand(database: Database, statement: str) -> None:
    with database.session() as session:
        session.add(line("as it was"))
    with pytest.raises(exc.DBAPIError, match="never altered or removed"), database.session() as session:
        session.execute(text(statement))
    with database.reading() as session:
        assert session.scalars(select(AuditRow.why)).all() == ["as it was"]


def test_accounts_of_before_first_passwords_keep_theirs(database_url: str) -> None:
    """The tables as they were at step 0002, made by the migrations up to there."""
    url = database_url.replace("postgresql://", "postgresql+psycopg://")
    engine = create_engine(url)
    config = Config()
    config.set_main_option("script_location", str(FOLDER))
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, "0002")
        insert = "INSERT INTO accounts (name, role, password_hash, created_s, is_disabled, failed) VALUES "
        connection.execute(text(insert + "('kim', 'operator', 'hash', 1, false, 0)"))
    engine.dispose()
    upgraded = open_database(database_url)
    with upgraded.reading() as session:
        row = session.get_one(AccountRow, "kim")
        assert (row.password_hash, row.first_until_s, row.factor_secret) == ("hash", None, None)
    upgraded.close()


def test_a_newer_database_is_refused_with_what_to_do(database: Database, database_url: str) -> None:
    with database.session() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(DatabaseError, match=r"tables are of step 9999, .* update the program"):
        open_database(database_url)


def test_writers_wait_for_each_other_and_lose_nothing(database: Database) -> None:
    with database.session() as session:
        session.add(CounterRow(name="n", value=0))

    def add() -> None:
        for _ in range(25):
            with database.session() as session:
                row = session.get(CounterRow, "n", with_for_update=True)
                assert row is not None
                row.value += 1

    threads = [threading.Thread(target=add) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    with database.reading() as session:
        assert session.get_one(CounterRow, "n").value == 100


def test_a_reader_is_not_held_up_by_a_writer(database: Database) -> None:
    with database.session() as writing:
        writing.add(line())
        writing.flush()
        began = time.monotonic()
        with database.reading() as reading:
            assert reading.scalars(select(AuditRow)).all() == []
        assert time.monotonic() - began < 2.0


def test_a_locked_sqlite_file_is_said_in_words(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database_module, "BUSY_S", 1)
    database = open_database(sqlite_url)
    with closing(sqlite3.connect(sqlite_url.removeprefix("sqlite:///"), isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(DatabaseError, match=r"locked by another program .* end what holds it"):
            write(database)
        database.check()  # reading goes on
        other.execute("ROLLBACK")
    with database.session() as session:
        session.add(line())
    database.close()


def test_a_locked_postgres_row_is_said_in_words(postgres_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database_module, "BUSY_S", 1)
    database = open_database(postgres_url)
    with database.session() as session:
        session.add(CounterRow(name="n", value=0))
    with database.session() as holding:
        holding.get(CounterRow, "n", with_for_update=True)
        with pytest.raises(DatabaseError, match=r"locked by another program .*lock timeout"):
            take_the_lock(database)
    database.close()


def test_a_sqlite_file_that_is_removed_while_running_is_noticed(sqlite_url: str) -> None:
    path = Path(sqlite_url.removeprefix("sqlite:///"))
    database = open_database(sqlite_url)
    kept = path.read_bytes()
    path.rename(path.with_suffix(".away"))
    with pytest.raises(DatabaseError, match="the database file is gone; put it back from a backup"):
        write(database, "would be lost")
    assert not path.exists()  # and none was made in its place
    path.write_bytes(kept)
    database.check()
    database.close()


def test_a_server_that_stops_is_said_in_words_and_found_again(own_postgres_server) -> None:
    database = open_database(own_postgres_server.url("postgres"))
    with database.session() as session:
        session.add(line("before"))
    own_postgres_server.stop()
    with pytest.raises(DatabaseError, match=r"cannot be reached .* work goes on when it is back"):
        database.check()
    with pytest.raises(DatabaseError, match="cannot be reached"), database.session() as session:
        session.add(line("lost"))
    own_postgres_server.start()
    with database.session() as session:
        session.add(line("after"))
        assert session.scalars(select(AuditRow.why).order_by(AuditRow.id)).all() == ["before", "after"]
    database.close()


def test_a_connection_cut_in_the_middle_is_said_in_words(postgres_server, postgres_url: str) -> None:
    database = open_database(postgres_url)
    cut = "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{}'"

    def write_while_it_is_cut() -> None:
        with database.session() as session:
            session.add(line())
            session.flush()
            postgres_server.execute(cut.format(postgres_url.rpartition("/")[2]))
            session.add(line())

    with pytest.raises(DatabaseError, match="cannot be reached"):
        write_while_it_is_cut()
    database.check()
    database.close()


def test_no_password_in_words_or_records(postgres_server) -> None:
    url = postgres_server.url("there_is_none")
    with pytest.raises(DatabaseError) as told:
        open_database(url)
    assert "there_is_none" in str(told.value)
    assert postgres_server.password not in str(told.value)
    opened = open_database(postgres_server.url("postgres"))
    assert postgres_server.password not in repr(opened) + opened.url
    opened.close()


def test_a_full_alert_row_comes_back_as_it_went_in(database: Database) -> None:
    row = AlertRow(
        alert_id="a" * 16, station="elm", zone=None, condition="drift", priority="medium", state="normal",
        is_true=False, began_s=-5, raised_s=2**40, updated_s=0, ended_s=None, confidence=0.75,
        document={"b": [1, 2.5, None, "é"], "a": {}}, facts={"departure_kpa": -3.25}, traits={},
        profile_version="v", rank=0, change_no=1,
    )  # fmt: skip
    with database.session() as session:
        session.add(row)
    with database.reading() as session:
        found = session.get_one(AlertRow, "a" * 16)
        assert found.document == {"b": [1, 2.5, None, "é"], "a": {}}
        assert list(found.document) == ["b", "a"]  # keys keep the order of the contract
        assert (found.began_s, found.raised_s, found.facts) == (-5, 2**40, {"departure_kpa": -3.25})
        assert found.is_true is False
