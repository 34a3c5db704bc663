"""The same made-up readings in every kind of store that feeds.py measures, and the floor of each.

A store is made once and read several times. Servers are those of the tests: real ones from Debian's packages
(PostgreSQL, Mosquitto), one of OPC UA with history made with asyncua, and one that answers Flux queries as
InfluxDB 2 documents them, in Python and so no measure of the real one.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import fsspec
import httpx
import numpy as np
import paho.mqtt.client as paho
import psycopg
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import uvicorn
from asyncua import Client
from influxdb_client import InfluxDBClient
from live import URL, Service, body, made_up_profile
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from sqlalchemy import create_engine, text
from tests.integration.conftest import _started as postgres_server
from tests.integration.feeds.conftest import Broker, free_port
from tests.integration.feeds.feed_bench import MAPPING
from tests.integration.feeds.influx_server import FluxServer
from tests.integration.feeds.made_rows import ENDS, START_S, STATIONS, rows
from tests.integration.feeds.opcua_plant import PlantServer

STORED, ASKED, QUEUED = 50_000, 10_000, 2_000  # minutes, each of six readings
PUSHED_STATIONS, PUSHED_MINUTES = 200, 50
SINCE = datetime.fromtimestamp(START_S, UTC).date().isoformat()
END = datetime(2026, 1, 1, tzinfo=UTC)
UNITS = {"inlet": ("PIN", "bar"), "outlet": ("POUT", "bar"), "flow": ("FLOW", "m3/h")}


class Store:
    """A store that holds ``n`` readings.

    block : settings of the feed that reads it; none of log folders and pushes
    floor : reads all by the library underneath, and says how many; ready : called before each run
    """

    mapping = MAPPING
    floor_is = ""

    def __init__(self, name: str, folder: Path, stack: ExitStack) -> None:
        self.name, self.folder, self.stack = name, folder, stack
        self.block: dict[str, Any] = {}
        self.n = 6 * STORED
        self.make()

    def make(self) -> None:
        raise NotImplementedError

    def ready(self) -> None:
        """Most need nothing."""

    def floor(self) -> int:
        raise NotImplementedError


class LogFolder(Store):
    """A file per station, a column per tag."""

    ending, read, write = "csv", staticmethod(pa.csv.read_csv), staticmethod(pa.csv.write_csv)
    floor_is = "pyarrow reads the CSV"

    def make(self) -> None:
        tags = {role: {"tag": tag, "unit": unit} for role, (tag, unit) in UNITS.items()}
        stations = {}
        for station in STATIONS:
            own = [(at, tag.split(".")[2], v) for at, tag, v in rows(STORED) if f".{station}." in tag]
            columns = {end: [v for _, tag, v in own if tag == end] for end in ENDS}
            table = pa.table(
                {"time": pa.array([at for at, _, _ in own[::3]], pa.timestamp("s", "UTC"))} | columns
            )
            self.write(table, self.folder / f"{station}.{self.ending}")
            sources = [{"path": f"{station}.{self.ending}"}]
            stations[station] = {"time_zone": "UTC", "step_s": 60, "tags": tags, "sources": sources}
        (self.folder / "stations.yaml").write_text(json.dumps({"stations": stations}))

    def floor(self) -> int:
        tables = [self.read(self.folder / f"{station}.{self.ending}") for station in STATIONS]
        return sum(len(table.column(end).to_numpy()) for table in tables for end in ENDS)


class ParquetFolder(LogFolder):
    ending, read, write = "parquet", staticmethod(pa.parquet.read_table), staticmethod(pa.parquet.write_table)
    floor_is = "pyarrow reads the Parquet"


class ObjectStore(Store):
    """Parquet on a store of fsspec, a row per reading."""

    floor_is = "fsspec and pyarrow read the Parquet"
    path = "memory://history/all.parquet"

    def make(self) -> None:
        at, tags, values = zip(*rows(STORED), strict=True)
        table = pa.table({"time": pa.array(at, pa.timestamp("s", "UTC")), "tag": tags, "value": values})
        with fsspec.open(self.path, "wb") as file:
            pa.parquet.write_table(table, file)
        self.block = {"kind": "files", "path": "memory://history/*.parquet"}

    def floor(self) -> int:
        with fsspec.open(self.path, "rb") as file:
            return len(pa.parquet.read_table(file).column("value").to_numpy())


class Sqlite(Store):
    floor_is = "SQLAlchemy fetches the rows"
    query = "SELECT t, tag, v FROM history WHERE t >= :from AND t < :to ORDER BY t"
    span: tuple[Any, Any] = (START_S, round(END.timestamp()))

    def make(self) -> None:
        path = self.folder / "plant.db"
        with contextlib.closing(sqlite3.connect(path)) as connection:
            connection.execute("CREATE TABLE history (t integer, tag text, v real)")
            connection.executemany("INSERT INTO history VALUES (?, ?, ?)", rows(STORED))
            connection.execute("CREATE INDEX by_time ON history (t)")
            connection.commit()
        self.url = f"sqlite:///{path}"
        self.settle({"url": self.url, "time_format": "epoch_s"})

    def settle(self, more: dict[str, Any]) -> None:
        self.block = {"kind": "sql", "query": self.query, "backfill_from": SINCE, **more}

    def floor(self) -> int:
        engine = create_engine(self.url)
        with engine.connect() as connection:
            found = connection.execute(
                text(self.query), {"from": self.span[0], "to": self.span[1]}
            ).fetchall()
        engine.dispose()
        return len(found)


class Postgres(Sqlite):
    span = (datetime.fromtimestamp(START_S, UTC), END)

    def make(self) -> None:
        server = self.stack.enter_context(contextlib.contextmanager(postgres_server)())
        server.execute("CREATE DATABASE plant")
        url = server.url("plant")
        with psycopg.connect(url) as connection:
            connection.execute("CREATE TABLE history (t timestamptz, tag text, v double precision)")
            with connection.cursor().copy("COPY history FROM STDIN") as copy:
                for at, tag, v in rows(STORED):
                    copy.write_row((datetime.fromtimestamp(at, UTC), tag, v))
            connection.execute("CREATE INDEX by_time ON history (t)")
        self.url = url.replace("postgresql:", "postgresql+psycopg:")
        self.settle({"url": url})


class Influx(Store):
    """The stand-in, in a process of its own."""

    mapping = MAPPING.replace("WW.{station}.", "telemetry.{station}.")
    floor_is = "influxdb-client streams the records of one query"

    def make(self) -> None:
        self.n = 6 * ASKED
        self.url = self.stack.enter_context(child("influx", str(ASKED)))
        (self.folder / "token").write_text("right\n")
        self.block = {
            "kind": "influxdb", "url": self.url, "org": "works", "bucket": "plant",
            "token_file": self.folder / "token", "tag": "{measurement}.{site}.{field}",
            "backfill_from": SINCE,
        }  # fmt: skip

    def floor(self) -> int:
        flux = f'from(bucket: "plant") |> range(start: {SINCE}T00:00:00Z, stop: {END:%Y-%m-%d}T00:00:00Z)'
        with InfluxDBClient(
            url=self.url, token="right", org="works", timeout=60_000, enable_gzip=True
        ) as client:
            return sum(1 for _ in client.query_api().query_stream(flux))


class OpcUa(Store):
    """A server in a process of its own, with the history of both stations."""

    floor_is = "asyncua reads each node's history"

    def make(self) -> None:
        self.n = 6 * ASKED
        server = PlantServer(self.folder / "server", ASKED)
        self.stack.callback(server.kill)
        server.start()
        self.url = server.url
        self.block = {"kind": "opcua", "url": self.url, "folder": "ns=2;i=1", "backfill_from": SINCE}

    def floor(self) -> int:
        return asyncio.run(self._history())

    async def _history(self) -> int:
        logging.getLogger("asyncua").setLevel(logging.ERROR)  # it warns of how long a session may rest
        async with Client(self.url) as client:
            n = 0
            for node in await client.get_node("ns=2;i=1").get_variables():
                if (await node.read_browse_name()).Name != "no history":
                    n += len(await node.read_raw_history(datetime.fromtimestamp(START_S, UTC), END, 0, False))
            return n


class Mqtt(Store):
    """What waits at the broker for two sessions: ours, and one of a plain client."""

    mapping = MAPPING.replace("WW.{station}.", "ww/{station}/")
    floor_is = "paho-mqtt takes the messages, json reads them"

    def make(self) -> None:
        self.n = 6 * QUEUED
        self.broker = Broker(self.folder / "broker")
        self.stack.callback(self.broker.stop)
        self.broker.start()
        self.block = {
            "kind": "mqtt", "host": "127.0.0.1", "port": self.broker.port, "topics": ["ww/#"],
            "client_id": "ours",
        }  # fmt: skip

    def _client(self, name: str) -> paho.Client:
        """Connected, with a session that stays, and subscribed."""
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv5)
        subscribed = threading.Event()
        client.on_connect = lambda *_: client.subscribe("ww/#", 1)
        client.on_subscribe = lambda *_: subscribed.set()
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 3600
        client.max_inflight_messages_set(500)
        self._prepare(client)
        client.connect("127.0.0.1", self.broker.port, clean_start=False, properties=properties)
        client.loop_start()
        assert subscribed.wait(10), f"{name} was not let in by the broker"
        return client

    def _prepare(self, client: paho.Client) -> None:
        client.on_message = lambda *said: self.heard.append(json.loads(said[2].payload)["value"])

    def ready(self) -> None:
        """Let both sessions miss the messages."""
        self.heard: list[float] = []
        for name in ("ours", "plain"):
            away(self._client(name))
        sender = self._client("sender")
        sender.unsubscribe("ww/#")
        infos = [
            sender.publish(
                tag.replace("WW.", "ww/").replace(".", "/"), json.dumps({"time": at, "value": v}), 1
            )
            for at, tag, v in rows(QUEUED)
        ]
        for info in infos:
            info.wait_for_publish(60)
        away(sender)
        self.heard.clear()

    def floor(self) -> int:
        client, end = self._client("plain"), time.monotonic() + 60
        while len(self.heard) < self.n and time.monotonic() < end:
            time.sleep(0.002)
        away(client)
        return len(self.heard)


def away(client: paho.Client) -> None:
    client.disconnect()
    client.loop_stop()


class Pushed(Store):
    """Batches for a running service, the same stations an hour further at each run."""

    kind = "application/json"

    def make(self) -> None:
        self.n = 3 * PUSHED_STATIONS * PUSHED_MINUTES
        self.service = Service(self.folder, PUSHED_STATIONS, made_up_profile())
        self.stack.callback(self.service.stop)
        self.bare = self.stack.enter_context(child("bare", str(free_port())))
        self.at_s, self.bodies = START_S, list[bytes]()
        words = "each line split" if "plain" in self.kind else "json.loads"
        self.floor_is = f"uvicorn takes the bodies, {words}"

    def ready(self) -> None:
        """Wait until the service has judged what came before, and make the next bodies."""
        used_s = -1.0
        while (now_s := self.service.used()[0]) - used_s > 0.05:
            used_s = now_s
            time.sleep(0.5)
        rng = np.random.default_rng(5)
        self.at_s += 3600
        minutes = range(self.at_s, self.at_s + 60 * PUSHED_MINUTES, 60)
        self.bodies = [self.written(body(0, PUSHED_STATIONS, at_s, rng, 0)) for at_s in minutes]

    def written(self, made: bytes) -> bytes:
        return made

    def _send(self, url: str) -> int:
        headers = {"Authorization": f"Bearer {self.service.token}", "Content-Type": self.kind}
        with httpx.Client(headers=headers, timeout=60) as client:
            answers = [client.post(url, content=one) for one in self.bodies]
        return sum(answer.json()["accepted"] for answer in answers)

    def floor(self) -> int:
        return self._send(self.bare)

    def push(self) -> float:
        """Seconds until all was accepted."""
        began = time.perf_counter()
        accepted = self._send(f"{URL}/api/v1/readings?precision=s")
        took_s = time.perf_counter() - began
        if accepted != self.n:
            sys.exit(f"{self.name}: {accepted:,} of {self.n:,} were accepted")
        return took_s


class PushedLines(Pushed):
    kind = "text/plain"

    def written(self, made: bytes) -> bytes:
        lines = (
            f"prv,station={item['station']} " + ",".join(f"{k}={v}" for k, v in item["values"].items())
            + f" {item['time']}"
            for item in json.loads(made)
        )  # fmt: skip
        return "\n".join(lines).encode()


@contextlib.contextmanager
def child(what: str, word: str):
    """A server of this module in a process of its own; gives its URL."""
    command = [sys.executable, str(Path(__file__).with_name("feeds.py")), "--child", what, word]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True)
    try:
        yield process.stdout.readline().strip()
    finally:
        process.terminate()
        process.communicate(timeout=20)


def serve_influx(minutes: str) -> None:
    made = [(at, "telemetry", *tag.split(".")[1:], v) for at, tag, v in rows(int(minutes))]
    print(FluxServer(made).url, flush=True)
    sys.stdin.read()


def serve_bare(port: str) -> None:
    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] != "http":
            return
        data, more = b"", True
        while more:
            message = await receive()
            data, more = data + message["body"], message.get("more_body", False)
        if dict(scope["headers"])[b"content-type"] == b"text/plain":
            n = sum(len(line.split(" ")[1].split(",")) for line in data.decode().split("\n"))
        else:
            n = sum(len(item["values"]) for item in json.loads(data))
        answer = json.dumps({"accepted": n}).encode()
        headers = [(b"content-length", str(len(answer)).encode())]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": answer})

    config = uvicorn.Config(app, port=int(port), log_level="warning", lifespan="off")
    server = uvicorn.Server(config)

    async def run() -> None:
        task = asyncio.create_task(server.serve())
        while not server.started:
            await asyncio.sleep(0.01)
        print(f"http://127.0.0.1:{port}/", flush=True)
        await task

    asyncio.run(run())


CHILDREN = {"influx": serve_influx, "bare": serve_bare}
STORES: dict[str, type[Store]] = {
    "log folder, CSV": LogFolder,
    "log folder, Parquet": ParquetFolder,
    "files on a store": ObjectStore,
    "SQLite": Sqlite,
    "PostgreSQL": Postgres,
    "InfluxDB 2 (stand-in)": Influx,
    "OPC UA history": OpcUa,
    "MQTT, queued": Mqtt,
    "push, JSON": Pushed,
    "push, line protocol": PushedLines,
}
