"""A year brought in from each kind of store while the service is killed at random moments, as by a power cut.

Every reading comes once and none is lost. The year is cheap, a row each 15 minutes of one station; with
STEADYHEAD_YEAR_STEP_S=60 in the environment it is one of a row each minute, for a longer trial by hand.
"""

import os
import random
import sqlite3
import time
from datetime import UTC, datetime

import psycopg
import pytest

from . import made_rows
from .feed_bench import MAPPING, FeedService, until, wanted
from .influx_server import FluxServer
from .opcua_plant import PlantServer

STEP_S = int(os.environ.get("STEADYHEAD_YEAR_STEP_S", "900"))
N_STEPS = 365 * 86_400 // STEP_S
START_S = (int(time.time()) // 86_400 - 366) * 86_400
N_KILLS = 3


def year():
    """(time, tag, value), all that the store holds."""
    return list(made_rows.rows(N_STEPS, STEP_S, START_S, 1))


class Store:
    """A store that holds the year: ``block`` of a feed that reads it; ``disturb`` it in the middle."""

    mapping = MAPPING

    def disturb(self):
        """Most stay as they are."""

    def stop(self):
        """End what was started."""


class Sqlite(Store):
    def __init__(self, folder, made, request):
        url = folder / "plant.db"
        with sqlite3.connect(url) as connection:
            connection.execute("CREATE TABLE history (t integer, tag text, v real)")
            connection.executemany("INSERT INTO history VALUES (?, ?, ?)", made)
            connection.execute("CREATE INDEX by_time ON history (t)")
        connection.close()
        self.block = f"kind: sql\nurl: sqlite:///{url}\ntime_format: epoch_s\n{QUERY}"


class Postgres(Store):
    def __init__(self, folder, made, request):
        url = request.getfixturevalue("postgres_url")
        with psycopg.connect(url) as connection:
            connection.execute("CREATE TABLE history (t timestamptz, tag text, v double precision)")
            with connection.cursor().copy("COPY history FROM STDIN") as copy:
                for at, tag, value in made:
                    copy.write_row((datetime.fromtimestamp(at, UTC), tag, value))
            connection.execute("CREATE INDEX by_time ON history (t)")
        self.block = f"kind: sql\nurl: {url}\n{QUERY}"


class Influx(Store):
    mapping = MAPPING.replace("WW.{station}.", "telemetry.{station}.")

    def __init__(self, folder, made, request):
        rows = [(at, "telemetry", *tag.split(".")[1:], value) for at, tag, value in made]
        self.server = FluxServer(rows)
        (folder / "token").write_text("right\n")
        self.block = (
            f"kind: influxdb\nurl: {self.server.url}\norg: works\nbucket: plant\n"
            f'token_file: {folder}/token\ntag: "{{measurement}}.{{site}}.{{field}}"\n'
        )

    def disturb(self):
        self.server.break_after = 20_000  # bytes, in the middle of an answer

    def stop(self):
        self.server.stop()


class OpcUa(Store):
    def __init__(self, folder, made, request):
        self.server = PlantServer(folder / "server", N_STEPS, "open", STEP_S, START_S, 1)
        self.server.start()
        self.block = f"kind: opcua\nurl: {self.server.url}\nfolder: ns=2;i=1\nper_read: 500\n"

    def disturb(self):
        self.server.kill()
        self.server.start()

    def stop(self):
        self.server.kill()


QUERY = 'query: "SELECT t, tag, v FROM history WHERE t >= :from AND t < :to ORDER BY t"\n'
STORES = {"sqlite": Sqlite, "postgresql": Postgres, "influxdb": Influx, "opcua": OpcUa}


@pytest.mark.parametrize("kind", STORES)
def test_a_year_interrupted_at_random_moments_comes_in_once_and_whole(kind, tmp_path, request):
    made = year()
    store = STORES[kind](tmp_path, made, request)
    since = datetime.fromtimestamp(START_S, UTC).date()
    service = FeedService(tmp_path / "s", f"{store.block}\nbackfill_from: {since}\n", store.mapping)
    luck = random.Random(kind)
    n_wanted = len(made)
    killed_at = []
    try:
        for goal in sorted(luck.sample(range(1, n_wanted - n_wanted // 20), N_KILLS)):
            service.spawn()
            until(lambda: service.accepted() >= goal, 120)  # noqa: B023
            if len(killed_at) == 1:
                store.disturb()
            time.sleep(luck.random() * 0.1)
            service.kill()
            killed_at.append(service.accepted())
        service.spawn()
        until(lambda: service.accepted() >= n_wanted, 120)
        time.sleep(0.5)  # for what might come twice
        service.kill()
    finally:
        service.close()
        store.stop()
    assert sum(at < n_wanted for at in killed_at) >= 2, killed_at
    assert service.journal() == wanted(made)
