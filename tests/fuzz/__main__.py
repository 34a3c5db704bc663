"""``python -m tests.fuzz [NAME ...] --seconds 600``: guided runs by hand, one parser after the other.

Prints for each how many inputs were executed and what was found; ends with 1 if anything was. Inputs that took
new ways through the code are kept in out/fuzz/NAME/corpus, and the next run starts from them.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

from .target import PLACE
from .target import folder as working_folder
from .targets import NAMES, target

ROOT = Path(__file__).parents[2]
MOST_MB = 2048
HANG_S = 60
LONGEST = 16_384


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a run did. executed : inputs; peak_mb : largest memory; found : texts of defects"""

    name: str
    executed: int
    seconds: float
    peak_mb: int
    found: list[str]


def run(name: str, seconds: int, folder: Path) -> Outcome:
    """One guided run in a process of its own."""
    corpus, made = folder / "corpus", folder / "made"
    for place in (corpus, made, folder / "found"):
        place.mkdir(parents=True, exist_ok=True)
    for old in (folder / "found").iterdir():  # of an earlier run
        old.unlink()
    one = target(name)
    for n, data in enumerate(one.corpus()):
        (made / f"{n:03d}").write_bytes(data)
    words = folder / "words"
    words.write_text("".join(f'"{_escaped(word)}"\n' for word in one.words))
    options = [
        str(corpus), str(made), f"-max_total_time={seconds}", f"-timeout={HANG_S}", f"-rss_limit_mb={MOST_MB}",
        f"-max_len={LONGEST}", f"-artifact_prefix={folder / 'found'}/", "-print_final_stats=1", "-verbosity=1",
        *([f"-dict={words}"] if one.words else []),
    ]  # fmt: skip
    place = working_folder() / f"guided-{name}"
    place.mkdir(exist_ok=True)
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.guided", name, str(folder), *options],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace", check=False,
        env=os.environ | {PLACE: str(place)},
    )  # fmt: skip
    (folder / "log").write_text(done.stdout, encoding="utf-8")
    found = [path.read_text(encoding="utf-8") for path in sorted((folder / "found").glob("*.txt"))]
    found += [f"{path.name}: {_why(done.stdout)}" for path in (folder / "found").iterdir()
              if path.name.split("-")[0] in ("crash", "timeout", "oom", "slow")]  # fmt: skip
    if done.returncode and not found:
        found.append(f"ended with {done.returncode}: {done.stdout[-2000:]}")
    executed, peak = (_stat(done.stdout, what) for what in ("number_of_executed_units", "peak_rss_mb"))
    return Outcome(name, executed, time.monotonic() - began, peak, found)


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)


def _stat(said: str, what: str) -> int:
    met = re.search(rf"stat::{what}:\s*(\d+)", said)
    return int(met[1]) if met else 0


def _why(said: str) -> str:
    lines = [line for line in said.splitlines() if "ERROR" in line or "SUMMARY" in line]
    return "; ".join(lines[:3])


def main() -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"of {', '.join(NAMES)}; all if none is given"
    )
    parser.add_argument("--seconds", type=int, default=60, help="for each parser (60)")
    parser.add_argument(
        "--out", type=Path, default=ROOT / "out" / "fuzz", help="folder of corpora and findings"
    )
    given = parser.parse_args()
    unknown = set(given.names) - set(NAMES)
    if unknown:
        parser.error(f"there is no parser {', '.join(sorted(unknown))}; use {', '.join(NAMES)}")
    if importlib.util.find_spec("atheris") is None:
        parser.error("atheris is not installed; run: pip install 'steadyhead[fuzz]' (Linux, CPython)")
    found = 0
    for name in given.names or NAMES:
        outcome = run(name, given.seconds, given.out / name)
        found += len(outcome.found)
        print(f"{name:14} {outcome.executed:>9,} inputs in {outcome.seconds:5.0f} s, "
              f"{outcome.peak_mb:>5,} MB at most, {len(outcome.found)} found", flush=True)  # fmt: skip
        for text in outcome.found:
            print("    " + text.strip().replace("\n", "\n    "), flush=True)
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
