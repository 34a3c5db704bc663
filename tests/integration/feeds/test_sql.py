"""SQL: a real PostgreSQL and SQLite files, in the middle of which things go wrong."""

import time
from datetime import UTC, datetime

import pytest
from sqlalchemy import create_engine, text
from sqlalchemy.exc import OperationalError

from steadyhead.errors import FeedError
from steadyhead.feeds.opening import open_connector
from steadyhead.feeds.settings import SqlSettings

from .feed_bench import START_S, FeedService, rows, until, wanted


def fill(url, made, table="history"):
    """A long table as historians keep them, with OPC quality."""
    engine = create_engine(url.replace("postgresql://", "postgresql+psycopg://"))
    kind = "timestamptz" if url.startswith("postgresql") else "text"
    with engine.begin() as connection:
        connection.execute(
            text(f"CREATE TABLE IF NOT EXISTS {table} (t {kind}, tag text, v double precision, q integer)")
        )
        connection.execute(
            text(f"INSERT INTO {table} VALUES (:t, :tag, :v, :q)"),
            [
                {
                    "t": datetime.fromtimestamp(at, UTC)
                    if kind != "text"
                    else datetime.fromtimestamp(at, UTC).strftime("%Y-%m-%d %H:%M:%S"),
                    "tag": tag,
                    "v": v,
                    "q": 192,
                }
                for at, tag, v in made
            ],
        )
    engine.dispose()


def block(url, **more):
    form = "" if url.startswith("postgresql") else "time_format: iso\n"
    lines = "".join(f"{key}: {value}\n" for key, value in more.items())
    return (
        f"kind: sql\nurl: {url}\npoll_s: 0.2\n{form}{lines}"
        'query: "SELECT t, tag, v, q FROM history WHERE t >= :from AND t < :to ORDER BY t"\n'
    )


def test_stored_readings_come_in_once_and_unchanged(database_url, tmp_path):
    made = list(rows(3000))
    fill(database_url, made)
    service = FeedService(tmp_path / "s", block(database_url, backfill_from="2025-07-01"))
    service.open()
    try:
        service.wait_for(len(made))
        until(lambda: service.state().state == "ok")
    finally:
        service.close()
    assert service.journal() == wanted(made)


def test_new_rows_and_late_ones_come_in_live_and_none_twice(database_url, tmp_path):
    now = int(time.time()) // 60 * 60
    first = list(rows(5, start_s=now - 600))
    fill(database_url, first)
    service = FeedService(tmp_path / "s", block(database_url, look_back_s=900))
    service.open()
    try:
        service.wait_for(len(first))
        late = list(rows(2, start_s=now - 270, step_s=7))
        new = list(rows(3, start_s=now - 120, step_s=30))
        fill(database_url, late + new)
        service.wait_for(len(first) + len(late) + len(new))
        time.sleep(0.6)  # further looks at the same rows
    finally:
        service.close()
    assert service.accepted() == len(first) + len(late) + len(new)


def test_a_connection_whose_server_dies_at_its_first_questions_is_closed(postgres_url, monkeypatch):
    connector = open_connector("plant", SqlSettings.model_validate(
        {"kind": "sql", "mapping": "m.yaml", "url": postgres_url,
         "query": "SELECT t, tag, v FROM history WHERE t >= :from AND t < :to"}
    ))  # fmt: skip
    made = []

    def die(self, connection):
        made.append(connection.connection.driver_connection)
        raise OperationalError("", None, Exception("server closed the connection unexpectedly"))

    with monkeypatch.context() as patched:
        patched.setattr("sqlalchemy.dialects.postgresql.psycopg.PGDialect_psycopg.initialize", die)
        with pytest.raises(FeedError, match="cannot be reached or broke off"):
            connector.fetch(START_S * 1_000_000, (START_S + 600) * 1_000_000)
    assert [one.closed for one in made] == [True]


def test_a_server_that_goes_and_comes_back(own_postgres_server, tmp_path):
    own_postgres_server.execute("CREATE DATABASE plant")
    url = own_postgres_server.url("plant")
    made = list(rows(12_000))
    fill(url, made)
    service = FeedService(tmp_path / "s", block(url, backfill_from="2025-07-01"))
    service.open()
    try:
        service.wait_for(1)
        own_postgres_server.stop()
        until(lambda: service.state().state == "error" or service.accepted() == len(made))
        assert "it is tried again" in (service.state().error or "")
        own_postgres_server.start()
        service.wait_for(len(made))
        until(lambda: service.state().state == "ok")
    finally:
        service.close()
    assert service.journal() == wanted(made)


@pytest.mark.parametrize(
    ("change", "where", "do"),
    [
        (
            lambda url: {"url": url.replace("steadyhead:", "steadyhead:wrong")},
            "does not let us in",
            "password_file",
        ),
        (lambda url: {"url": url[: url.rindex("/")] + "/nowhere"}, "nowhere", "mend the names"),
        (
            lambda url: {"query": "SELECT t, tag, v FROM nothing WHERE t >= :from AND t < :to"},
            "nothing",
            "mend the names",
        ),
        (
            lambda url: {"query": "SELECT t, v FROM history WHERE t >= :from AND t < :to"},
            "2 columns",
            "time, tag, value",
        ),
        (
            lambda url: {"query": "SELECT tag, v, t FROM history WHERE t >= :from AND t < :to"},
            "no time",
            "put the time first",
        ),
        (
            lambda url: {"query": "SELEC t, tag, v FROM history WHERE t >= :from AND t < :to"},
            "syntax",
            "query",
        ),
        (
            lambda url: {"query": "DELETE FROM history WHERE t >= :from AND t < :to RETURNING t, tag, v"},
            "read-only",
            "query",
        ),
        (
            lambda url: {"url": "postgresql://x@127.0.0.1:1/x"},
            "cannot be reached",
            "check host and port in url",
        ),
        (lambda url: {"url": "nothing://x"}, "driver", "install"),
    ],
)
def test_what_is_wrong_is_said_with_the_place_and_what_to_do(postgres_url, change, where, do):
    fill(postgres_url, list(rows(3)))
    settings = {
        "kind": "sql",
        "mapping": "m.yaml",
        "url": postgres_url,
        "query": "SELECT t, tag, v, q FROM history WHERE t >= :from AND t < :to ORDER BY t",
    }
    connector = open_connector("plant", SqlSettings.model_validate({**settings, **change(postgres_url)}))
    with pytest.raises(FeedError) as met:
        connector.fetch(START_S * 1_000_000, (START_S + 600) * 1_000_000)
    connector.close()
    assert str(met.value).startswith("plant: ")
    assert where in str(met.value)
    assert do in str(met.value)
    assert ":wrong" not in str(met.value)


def test_bad_values_are_refused_with_what_where_and_what_to_do(sqlite_url, tmp_path):
    made = list(rows(30))
    fill(sqlite_url, made)
    engine = create_engine(sqlite_url)
    ahead = datetime.fromtimestamp(time.time() + 500, UTC).strftime("%Y-%m-%d %H:%M:%S")
    at = datetime.fromtimestamp(START_S + 30, UTC).strftime("%Y-%m-%d %H:%M:%S")
    with engine.begin() as connection:
        for when, tag, v, q in [
            (ahead, "WW.elm_street.PIN", 6.0, 192),
            (at, "WW.elm_street.POUT", "I/O fail", 192),
            (at, "WW.elm_street.PIN", 6.0, 24),
            (at, "WW.elm_street.FLOW", -9999.0, 192),
            (at, "WW.mill_lane.POUT", -5.0, 192),
            (at, "PLC7.alive", 1.0, 192),
            (at, "WW.oak_row.PIN", 6.0, 192),
            (at, "WW.mill_lane.PIN", 6.0, 300_000),
        ]:
            connection.execute(
                text("INSERT INTO history VALUES (:t, :g, :v, :q)"), {"t": when, "g": tag, "v": v, "q": q}
            )
    engine.dispose()
    service = FeedService(tmp_path / "s", block(sqlite_url, backfill_from="2025-07-01", look_back_s=1000))
    service.open()
    try:
        service.wait_for(len(made))
        until(lambda: "future_time" in service.refusals())
    finally:
        service.close()
    refused = service.refusals()
    assert {why: n for why, (n, _) in refused.items()} == {
        "future_time": 1,
        "not_a_number": 1,
        "bad_quality": 1,
        "sentinel": 1,
        "out_of_range": 1,
        "unknown_tag": 1,
        "unknown_station": 1,
        "unknown_quality": 1,
    }
    assert '"I/O fail" of WW.elm_street.POUT at 2025-07-01T00:00:30 UTC' in refused["not_a_number"][1]
    assert "PLC7.alive" in refused["unknown_tag"][1]
    assert "oak_row" in refused["unknown_station"][1]
    assert service.journal() == wanted(made)
