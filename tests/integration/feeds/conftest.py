"""A real broker from Debian's package, in a folder of its own. A machine without it fails.

Nothing is skipped.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from .alerts_bench import room

__all__ = ["room"]


def free_port() -> int:
    """A port of the loopback that nobody uses now."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


def program(name: str, package: str) -> str:
    """Path of a program; fails the test where it is missing."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if found is None:
        pytest.fail(f"{name} is needed for these tests and is not there; install it: apt install {package}")
    return found


@dataclass
class Broker:
    """A Mosquitto of our own; ``stop`` and ``start`` keep its sessions and what it has stored."""

    folder: Path
    port: int = field(default_factory=free_port)
    more: str = ""
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it listens."""
        self.folder.mkdir(parents=True, exist_ok=True)
        user = "user root\n" if os.geteuid() == 0 else ""
        anonymous = "" if "password_file" in self.more else "allow_anonymous true\n"
        config = self.folder / "mosquitto.conf"
        config.write_text(
            f"listener {self.port} 127.0.0.1\n{user}{anonymous}persistence true\n"
            f"persistence_location {self.folder}/\nmax_queued_messages 0\nlog_dest file "
            f"{self.folder}/log\n{self.more}"
        )
        self.process = subprocess.Popen([program("mosquitto", "mosquitto"), "-c", str(config)])
        end = time.monotonic() + 10
        while True:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert time.monotonic() < end, (self.folder / "log").read_text()
                time.sleep(0.05)
            else:
                return

    def stop(self) -> None:
        """End it in order; it writes what it has stored."""
        if self.process is not None:
            self.process.terminate()
            self.process.wait(10)
            self.process = None


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A running broker that lets everybody in."""
    made = Broker(tmp_path / "broker")
    made.start()
    yield made
    made.stop()
