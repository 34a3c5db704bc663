"""Two ``steadyhead serve`` share a fleet with the settings left as they are: any of them answers for all."""

from __future__ import annotations

import contextlib
import json
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest
from sharing_bench import wait_for
from test_serve import free_port
from worker_bench import ROOT, chosen_registry, items, known, recorded

from steadyhead.access.accounts import Accounts
from steadyhead.live.sharing.layout import plan_of
from steadyhead.live.sharing.settings import SharingSettings
from steadyhead.live.sharing.watch import share_name
from steadyhead.store.database import open_database

PROMISED_S = 30.0
PASSWORD = "a kettle of copper"
AT_A_TIME_S = 6 * 3600


@dataclass
class Served:
    """One process with its own data folder."""

    folder: Path
    name: str
    process: subprocess.Popen[str]
    port: int

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def get(self, path: str, token: str) -> Any:
        answer = httpx.get(self.url + path, headers={"Authorization": f"Bearer {token}"}, timeout=30)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def is_ready(self) -> bool:
        assert self.process.poll() is None, self.process.communicate()[0]
        try:
            return httpx.get(f"{self.url}/readyz", timeout=5).status_code == 200
        except httpx.HTTPError:
            return False


def listen(to: Served, token: str, heard: set[str]) -> None:
    """Note the alerts that an open page is told of, until the process ends."""
    headers = {"Authorization": f"Bearer {token}"}
    with (
        contextlib.suppress(httpx.HTTPError),
        httpx.stream("GET", f"{to.url}/api/v1/events", headers=headers, timeout=None) as stream,
    ):
        for line in stream.iter_lines():
            if line.startswith("data: ") and "alert_id" in line:
                heard.add(json.loads(line.removeprefix("data: "))["alert_id"])


@pytest.fixture
def served(tmp_path: Path, postgres_url: str) -> Iterator[list[Served]]:
    chosen_registry(tmp_path, "gorge_road", "saltbush_flat", "cannery_road")
    found = []
    for name in ("east", "west"):
        port = free_port()
        settings = tmp_path / f"{name}.yaml"
        settings.write_text(
            f"data_folder: {name}\nprofiles: profiles\nport: {port}\nwatch_folders: false\nhorizon_s: 1\n"
            f"checkpoint_s: 5\ndatabase_url: {postgres_url}\nsharing:\n  name: {name}\n  folder: readings\n"
        )
        process = subprocess.Popen(
            [sys.executable, "-m", "steadyhead", "serve", "--registry", str(tmp_path / "stations.yaml"),
             "--settings", str(settings)],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        found.append(Served(tmp_path, name, process, port))
    yield found
    for one in found:
        if one.process.poll() is None:
            one.process.kill()
            one.process.communicate()


def test_either_answers_for_all_and_a_killed_one_is_taken_over_within_30_s(
    served: list[Served], tmp_path: Path, postgres_url: str
):
    _, registry = chosen_registry(tmp_path, "gorge_road", "saltbush_flat", "cannery_road")
    about = known(registry, tmp_path / "profiles")
    shares = SharingSettings().shares
    for one in served:
        wait_for(one.is_ready, 90)
    database = open_database(postgres_url)
    accounts = Accounts(database, time.time)
    accounts.create("ada", "administrator", PASSWORD)
    writes = {"Authorization": f"Bearer {accounts.make_token('pump', 'write_readings', 'ada').secret}"}
    reads = accounts.make_token("pages", "read", "ada").secret
    database.close()

    def owners() -> Counter[str | None]:
        with psycopg.connect(postgres_url) as connection:
            rows = connection.execute(
                "SELECT m.name FROM holdings h LEFT JOIN members m ON m.id = h.owner "
                "WHERE h.name LIKE 'stations:%'"
            )
            return Counter(name for (name,) in rows)

    wait_for(lambda: owners() == {"east": shares // 2, "west": shares // 2}, 60)

    def push(to: Served, batch: list[dict[str, Any]]) -> None:
        answer = httpx.post(f"{to.url}/api/v1/readings", json=batch, headers=writes, timeout=60)
        assert answer.status_code == 200, answer.text
        assert answer.json()["accepted"] > 0

    everything = items(list(about.logs.values()), 1, 0.0)
    pieces: dict[int, list[dict[str, Any]]] = {}
    for item in everything:
        pieces.setdefault((item["time"] - 1) // AT_A_TIME_S, []).append(item)
    todo = [pieces[key] for key in sorted(pieces)]
    east, west = served
    heard: dict[str, set[str]] = {"east": set(), "west": set()}
    for one in served:  # pages that are open hear of the alerts of both
        threading.Thread(target=listen, args=(one, reads, heard[one.name]), daemon=True).start()
    time.sleep(1.0)
    for n, batch in enumerate(todo[: 2 * len(todo) // 3]):
        push(served[n % 2], batch)

    def judged(by: Served) -> bool:
        run = by.get("/api/v1/feeds", reads)["run"]
        return not run["backlog_items"]

    wait_for(lambda: judged(east) and judged(west), 60)
    alerts = [one.get("/api/v1/alerts?limit=100", reads)["items"] for one in served]
    assert alerts[0] == alerts[1] != []
    ids = {one["alert"]["alert_id"] for one in alerts[0]}
    wait_for(lambda: heard["east"] == heard["west"] == ids, 10)

    # a station is shown alike by both, whoever owns it
    share_of = plan_of(registry, shares).share_of
    assert len(set(share_of.values())) == len(share_of)

    def shown(by: Served) -> dict[str, tuple[Any, ...]]:
        found = by.get("/api/v1/stations?limit=100", reads)["items"]
        return {one["name"]: (one["last_at"], one["regime"], one["outlet_kpa"]) for one in found}

    wait_for(lambda: shown(east) == shown(west), 30)
    assert all(at is not None and outlet is not None for at, _, outlet in shown(east).values())
    span = "from=2025-10-25T00:00:00Z&to=2025-10-26T00:00:00Z&points=100"

    def plotted(by: Served) -> dict[str, Any]:
        return {
            name: by.get(f"/api/v1/stations/{name}/series?{span}", reads)["channels"] for name in share_of
        }

    wait_for(lambda: plotted(east) == plotted(west), 60)
    assert all(any(channels["outlet_kpa"]["mean"]) for channels in plotted(east).values())

    # the one that judges gorge_road is killed, whatever it was in the middle of
    with psycopg.connect(postgres_url) as connection:
        (owner,) = connection.execute(
            "SELECT m.name FROM holdings h JOIN members m ON m.id = h.owner WHERE h.name = %s",
            (share_name(share_of["gorge_road"]),),
        ).fetchone()  # type: ignore[misc]
    dead, left = (east, west) if owner == "east" else (west, east)
    dead.process.send_signal(signal.SIGKILL)
    killed_at = time.monotonic()
    dead.process.communicate()
    for batch in todo[2 * len(todo) // 3 :]:
        push(left, batch)
    wait_for(lambda: owners() == {left.name: shares}, PROMISED_S)
    wait_for(lambda: judged(left), 60)
    took_s = time.monotonic() - killed_at
    assert took_s < PROMISED_S, took_s
    # a reading of the next row closes the last one of each station
    last_s = max(item["time"] for item in everything)
    push(left, [{"station": n, "role": "outlet", "time": last_s + 1, "value": 400.0} for n in share_of])
    wait_for(lambda: judged(left), 60)
    left.process.send_signal(signal.SIGTERM)
    said = left.process.communicate(timeout=60)[0]
    assert left.process.returncode == 0, said
    assert recorded(postgres_url, registry) == about.alerts(registry)
    assert owners() == {None: shares}
