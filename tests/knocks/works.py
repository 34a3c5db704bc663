"""What is knocked about: the service under a supervisor, its disk, its database, its broker."""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import httpx
import pytest
from tests.integration.conftest import PostgresServer
from tests.integration.feeds.conftest import Broker, free_port

from .served import set_clocks

ROOT = Path(__file__).parents[2]
DISK_MB = 192
PATIENCE_S = 180.0  # machines are slow and do other things too; what takes longer is stuck


class StuckError(AssertionError):
    """Something that must come does not come."""


def until(
    is_so: Callable[[], bool], what: str, within_s: float = PATIENCE_S, said: Callable[[], object] = str
) -> None:
    """Wait until ``is_so()``. Raises StuckError, with what ``said`` gives."""
    end = time.monotonic() + within_s
    while not is_so():
        if time.monotonic() > end:
            raise StuckError(f"{what}: did not come within {within_s:.0f} s; {said()}")
        time.sleep(0.05)


@dataclass
class Service:
    """``steadyhead serve``, started again whenever it has ended, as a supervisor does.

    said : file of all it wrote; starts : how often it was started; ends : exit codes of those that ended
    """

    folder: Path
    clocks: Path
    port: int = field(default_factory=free_port)
    starts: int = 0
    ends: list[int] = field(default_factory=list)
    wall_s: float = 0.0
    steady_s: float = 0.0
    process: subprocess.Popen[bytes] | None = None
    _leaving: subprocess.Popen[bytes] | None = None
    _lock: threading.RLock = field(default_factory=threading.RLock)
    _wanted: threading.Event = field(default_factory=threading.Event)
    _gone: threading.Event = field(default_factory=threading.Event)
    _thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """Where it answers."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def said(self) -> Path:
        """All it wrote."""
        return self.folder / "said"

    def begin(self) -> None:
        """Start the supervisor, and with it the service."""
        self.set_clocks()
        self._wanted.set()
        self._thread = threading.Thread(target=self._supervise, daemon=True)
        self._thread.start()

    def _supervise(self) -> None:
        while not self._gone.wait(0.1):
            with self._lock:
                if self.process is not None and self.process.poll() is not None:
                    self.ends.append(self.process.returncode)
                    self.process = None
                if self.process is None and self._wanted.is_set():
                    self._start()

    def _start(self) -> None:
        with self.said.open("ab") as said:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "tests.knocks.served", str(self.clocks), "--registry",
                 str(self.folder / "stations.yaml"), "--settings", str(self.folder / "service.yaml")],
                cwd=ROOT, stdout=said, stderr=subprocess.STDOUT,
            )  # fmt: skip
        self.starts += 1

    def signal(self, number: int) -> None:
        """Send a signal to the process that runs now, if one does."""
        with self._lock:
            if self.process is not None and self.process.poll() is None:
                self.process.send_signal(number)
                if number in (signal.SIGTERM, signal.SIGKILL):
                    self._leaving = self.process

    def is_ready(self) -> bool:
        """Whether it accepts readings, and is not one that was told to end and has not got round to it."""
        with self._lock:
            if self.process is None or self.process is self._leaving:
                return False
        try:
            return httpx.get(f"{self.url}/readyz", timeout=2).status_code == 200
        except httpx.HTTPError:
            return False

    def cap_files(self, size: int | None) -> None:
        """No file of the process may grow beyond ``size`` bytes; None lifts it."""
        limit = resource.RLIM_INFINITY if size is None else size
        with self._lock, contextlib.suppress(ProcessLookupError):
            if self.process is not None and self.process.poll() is None:
                resource.prlimit(self.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))

    def set_clocks(self) -> None:
        """Make the process see what ``wall_s`` and ``steady_s`` say."""
        set_clocks(self.clocks, self.wall_s, self.steady_s)

    def end(self) -> int:
        """Stop it in order; its exit code."""
        self._wanted.clear()
        with self._lock:
            process = self.process
        if process is None:
            raise StuckError("the service did not run when it was to be stopped")
        process.send_signal(signal.SIGTERM)
        code = process.wait(PATIENCE_S)
        self.close()
        return code

    def close(self) -> None:
        """Let nothing of it live on."""
        self._wanted.clear()
        self._gone.set()
        if self._thread is not None:
            self._thread.join()
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@dataclass
class Works:
    """All processes of one run, and the disk of the data folder.

    is_small : whether the disk is a small one of its own, which needs the rights to mount it
    """

    folder: Path
    database: PostgresServer
    broker: Broker
    service: Service
    is_small: bool

    @property
    def data(self) -> Path:
        """The data folder."""
        return self.folder / "disk" / "data"

    def kill_database(self) -> None:
        """SIGKILL to every process of the server."""
        pid = int((self.database.folder / "data" / "postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
        for one in (pid, *map(int, children)):
            with contextlib.suppress(ProcessLookupError):
                os.kill(one, signal.SIGKILL)
        until(lambda: not any(_lives(int(one)) for one in (pid, *children)), "the end of the database")

    def start_database(self) -> None:
        """Start it again; what is left of a killed one may need a moment."""
        for _ in range(20):
            try:
                self.database.start()
            except pytest.fail.Exception:
                time.sleep(0.5)
            else:
                return
        raise StuckError("the database does not start again")

    def kill_broker(self) -> None:
        """SIGKILL."""
        process, self.broker.process = self.broker.process, None
        if process is not None:
            process.kill()
            process.wait()

    def fill_disk(self) -> None:
        """Write until not a byte is left, where the disk is our own; else cap the files as the next best."""
        if not self.is_small:
            self.service.cap_files(4096)
            return
        with (self.folder / "disk" / "hog").open("ab", buffering=0) as hog, contextlib.suppress(OSError):
            while True:
                hog.write(bytes(1 << 16))

    def empty_disk(self) -> None:
        """Make room again."""
        (self.folder / "disk" / "hog").unlink(missing_ok=True)
        self.service.cap_files(None)


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@contextlib.contextmanager
def works(folder: Path) -> Iterator[Works]:
    """A disk, a database server and a broker that run, and a service that does not yet."""
    with contextlib.ExitStack() as stack:
        disk = folder / "disk"
        disk.mkdir(parents=True)
        is_small = os.geteuid() == 0 and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(disk)],
            check=False, capture_output=True,
        ).returncode  # fmt: skip
        if is_small:
            stack.callback(subprocess.run, ["umount", "-l", str(disk)], check=True)
        place = stack.enter_context(tempfile.TemporaryDirectory(prefix="steadyhead-postgres-"))
        database = PostgresServer(Path(place), free_port())
        database.make()
        database.start()
        stack.callback(_quietly, database.stop)
        broker = Broker(folder / "broker", more="autosave_interval 1\n")
        broker.start()
        stack.callback(broker.stop)
        made = Works(folder, database, broker, Service(folder, folder / "clocks"), is_small)
        stack.callback(made.service.close)
        yield made


def _quietly(act: Callable[[], None]) -> None:
    with contextlib.suppress(pytest.fail.Exception, OSError, subprocess.SubprocessError):
        act()
