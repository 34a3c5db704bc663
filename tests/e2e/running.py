"""Runs the command line as a person would: another process, its own output, its exit code."""

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
WIDTH = "80"


@dataclass(frozen=True)
class Result:
    code: int
    out: str
    err: str


Run = Callable[..., Result]


def run_steadyhead(*arguments: object, before: Callable[[], None] | None = None, **settings: str) -> Result:
    """``before`` runs in the new process first; ``settings`` are added to its environment."""
    done = subprocess.run(
        [sys.executable, "-m", "steadyhead", *map(str, arguments)],
        cwd=ROOT,
        env={"PATH": "/usr/bin:/bin", "HOME": str(Path.home()), "COLUMNS": WIDTH, **settings},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=before,
    )
    return Result(done.returncode, done.stdout, done.stderr)


def truth_of(folder: Path) -> dict:
    return json.loads((folder / "truth.json").read_text())["stations"]
