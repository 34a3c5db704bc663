"""Ctrl-C ends a command with code 130 and one line; what is on the disk is whole."""

import json
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from .running import ROOT

SAID = "steadyhead: stopped; every file is whole, as it was or new\n"


def start(*arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "steadyhead", *map(str, arguments)],
        cwd=ROOT,
        env={"PATH": "/usr/bin:/bin", "HOME": str(Path.home()), "COLUMNS": "80"},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(process: subprocess.Popen[str], word: str) -> None:
    assert process.stdout is not None
    for line in process.stdout:
        if word in line:
            return
    raise AssertionError(f"{word} was never said")


def whole_files(folder: Path) -> list[str]:
    """Names of the files, each of which can be read to its end."""
    names = []
    for path in folder.rglob("*"):
        if path.is_file():
            assert not path.name.endswith(".part")
            names.append(path.name)
            if path.suffix == ".json":
                json.loads(path.read_text())
            if path.suffix == ".png":
                assert path.read_bytes().endswith(b"IEND\xaeB`\x82")
    return names


@pytest.mark.parametrize("again", [False, True], ids=["once", "twice in a row"])
@pytest.mark.parametrize(
    ("command", "word"),
    [("learn", "Read 1 station"), ("scan", "Read 1 station"), ("scan", "Learned 1 station")],
)
def test_learn_and_scan_stop_at_once_with_one_line(worn_folder, tmp_path, command, word, again):
    more = ["--learn", "--out", tmp_path / "out"] if command == "scan" else []
    process = start(
        command, "--registry", worn_folder / "stations.yaml", "--profiles", tmp_path / "profiles", *more
    )
    wait_for(process, word)
    process.send_signal(signal.SIGINT)
    if again:
        time.sleep(0.02)
        process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (130, SAID)
    assert "report.txt" not in whole_files(tmp_path)


@pytest.mark.parametrize("after_s", [1.2, 3.0])
def test_plant_stops_and_leaves_no_log_half_written(tmp_path, after_s):
    process = start("plant", tmp_path / "made", "--days", 400, "--every", 60)
    time.sleep(after_s)  # while libraries are loaded, or while it simulates
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert err == SAID
    assert process.returncode in (130, -signal.SIGINT)  # a shell shows 130 for either
    assert out == ""
    assert whole_files(tmp_path) == []


LOST = """
class Deaf:
    def __del__(self):
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(1)
Deaf()
time.sleep(1)
print("went on")
"""
TORN = """
try:
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(1)
except KeyboardInterrupt:
    raise RuntimeError("no compiled object yet")
"""


@pytest.mark.parametrize("happens", [LOST, TORN], ids=["lost in a callback", "turned into another error"])
def test_an_interrupt_comes_through_whatever_a_library_makes_of_it(happens):
    """A callback of compiled code prints what is raised in it and goes on, as a finalizer does; a compiler
    that is torn out of its work fails with an error of its own."""
    script = (
        "import os, signal, time\nfrom steadyhead.cli.interrupt import Interrupted, stoppable\n"
        f"try:\n    with stoppable():\n{textwrap.indent(happens, ' ' * 8)}"
        "except Interrupted:\n    print('stopped')\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=30, check=False
    )
    assert (done.stdout, done.stderr) == ("stopped\n", "")
