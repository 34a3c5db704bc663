"""An OPC UA server in a process of its own, which can be killed and started again with what it had stored."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

from .conftest import free_port
from .made_rows import START_S

ROOT = Path(__file__).parents[3]


class PlantServer:
    """The server's process."""

    def __init__(self, folder, n_steps, how="open", step_s=60, start_s=START_S, n_stations=2):
        folder.mkdir(parents=True, exist_ok=True)
        self.folder, self.how, self.port = folder, how, free_port()
        self.stored = (n_steps, step_s, start_s, n_stations)
        self.process = None

    def start(self):
        words = [
            sys.executable,
            "-m",
            "tests.integration.feeds.opcua_server",
            str(self.folder),
            str(self.port),
            self.how,
            *map(str, self.stored),
        ]
        with (self.folder / "log").open("w") as log:
            self.process = subprocess.Popen(
                words,
                cwd=ROOT,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
            )
        line = self.process.stdout.readline()
        assert line == "ready\n", (self.folder / "log").read_text()[-2000:]

    def write(self, values):
        self.process.stdin.write(json.dumps(values) + "\n")
        self.process.stdin.flush()
        assert self.process.stdout.readline() == "done\n"

    def kill(self):
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process.stdin.close()
            self.process.stdout.close()
            self.process = None

    @property
    def url(self):
        return f"opc.tcp://127.0.0.1:{self.port}/plant"
