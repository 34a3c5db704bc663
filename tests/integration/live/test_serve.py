"""``steadyhead serve`` as a process: what it says, what it refuses, and that a kill takes nothing with it."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
from worker_bench import FROM_S, HORIZON_S, ROOT, batches, chosen_registry, items, known, recorded

from steadyhead.access.accounts import Accounts
from steadyhead.store.database import open_database


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@dataclass
class Service:
    """One data folder, served by one process at a time."""

    folder: Path
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[str] | None = None

    def settings(self, text: str = "") -> None:
        (self.folder / "service.yaml").write_text(
            f"data_folder: data\nprofiles: profiles\nport: {self.port}\nwatch_folders: false\n{text}"
        )

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "steadyhead", "serve", "--registry", str(self.folder / "stations.yaml"),
             "--settings", str(self.folder / "service.yaml")],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    def wait(self) -> None:
        """Until readings are accepted."""
        until = time.monotonic() + 60
        while True:
            try:
                if httpx.get(f"{self.url}/readyz", timeout=2).status_code == 200:
                    return
            except httpx.HTTPError:
                pass
            assert self.process is not None
            assert self.process.poll() is None, self.said()
            assert time.monotonic() < until
            time.sleep(0.1)

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def said(self) -> str:
        assert self.process is not None
        return self.process.communicate(timeout=60)[0]

    def kill(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
            self.process.communicate()


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    chosen_registry(tmp_path, "gorge_road")
    made = Service(tmp_path)
    made.settings()
    yield made
    made.kill()


def test_the_first_start_says_how_to_make_an_account_and_a_signal_ends_it_in_order(service: Service):
    service.start()
    service.wait()
    assert httpx.get(f"{service.url}/healthz").json() == {"status": "alive"}
    assert httpx.get(f"{service.url}/api/v1/stations").status_code == 401
    assert service.process is not None
    service.process.send_signal(signal.SIGTERM)
    said = service.said()
    assert service.process.returncode == 0, said
    assert "Steadyhead watches 1 stations of Lanternmoor Water (invented)." in said
    assert f"steadyhead account add YOUR_NAME --role administrator --settings {service.folder}" in said
    assert said.rstrip().endswith("stopped; what was accepted is safe")


def test_ctrl_c_ends_it_in_order_and_an_account_that_is_there_is_not_asked_for(service: Service):
    (service.folder / "data").mkdir()
    database = open_database(f"sqlite:///{service.folder / 'data' / 'steadyhead.db'}")
    Accounts(database, time.time).create("ada", "administrator", "a kettle of copper")
    database.close()
    service.start()
    service.wait()
    assert service.process is not None
    service.process.send_signal(signal.SIGINT)
    said = service.said()
    assert service.process.returncode == 0, said
    assert "account" not in said


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ("host: 0.0.0.0\n", "lets other machines reach the service"),
        ("host: 192.0.2.1\n", "open_to_network: true"),
        ("hozt: x\n", '"hozt" is not a known key'),
        ("horizon_s: soon\n", "is not a whole number"),
        ("readings_store: influx\n", "has no token_file"),
        ("silence_s: 10\n", "is below horizon_s"),
        ("database_url: mysql://x/y\n", "use sqlite or postgresql"),
    ],
)
def test_settings_that_cannot_be_are_refused_with_line_and_words(service: Service, more: str, words: str):
    service.settings(more)
    service.start()
    said = service.said()
    assert service.process is not None
    assert service.process.returncode == 2, said
    assert words in said
    assert "Traceback" not in said


def test_a_port_that_is_taken_is_said(service: Service):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", service.port))
        taken.listen()
        service.start()
        said = service.said()
    assert service.process is not None
    assert service.process.returncode == 2, said
    assert "another port in the settings" in said


def test_readings_pushed_over_http_survive_a_kill_and_alerts_are_those_of_scan(service: Service):
    _, registry = chosen_registry(service.folder, "gorge_road")
    about = known(registry, service.folder / "profiles")
    (service.folder / "data").mkdir()
    database = open_database(f"sqlite:///{service.folder / 'data' / 'steadyhead.db'}")
    accounts = Accounts(database, time.time)
    accounts.create("ada", "administrator", "a kettle of copper")
    token = accounts.make_token("historian", "write_readings", "ada").secret
    database.close()
    service.settings("checkpoint_s: 1\n")
    service.start()
    service.wait()
    headers = {"Authorization": f"Bearer {token}"}
    todo = list(batches(items(list(about.logs.values()), 9, HORIZON_S - 61), 9, 2500))
    for n, batch in enumerate(todo):
        if n in (2, 6):
            service.kill()
            service.start()
            service.wait()
        answer = httpx.post(f"{service.url}/api/v1/readings", json=batch, headers=headers, timeout=30)
        assert answer.status_code == 200, answer.text
        assert answer.json()["late"] == 0
    # one reading a day later closes all that came before
    last_s = max(one["time"] for batch in todo for one in batch)
    end = [{"station": "gorge_road", "role": "outlet", "time": last_s + HORIZON_S, "value": 440.0}]
    assert httpx.post(f"{service.url}/api/v1/readings", json=end, headers=headers).status_code == 200
    assert service.process is not None
    service.process.send_signal(signal.SIGTERM)
    assert service.process.wait(60) == 0
    service.said()
    found = recorded(f"sqlite:///{service.folder / 'data' / 'steadyhead.db'}", registry)
    assert found == about.alerts(registry)
    assert found
    assert min(raised for *_, raised, _ in found.values()) > FROM_S
