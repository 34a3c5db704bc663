"""One guided run: ``python -m tests.fuzz.guided NAME FOLDER LIBFUZZER_OPTIONS...``; ``python -m tests.fuzz`` starts it.

atheris tells libFuzzer which branches of our code an input took, and libFuzzer keeps what took a new one. A
defect does not end the run: its input and traceback go to FOLDER/found/, once for each place in the code.
"""

from __future__ import annotations

import hashlib
import sys
import traceback
from pathlib import Path

import atheris

# what compiles with numba must not be instrumented, so packages are named one by one
WATCHED = (
    "steadyhead.feeds", "steadyhead.config", "steadyhead.units", "steadyhead.api", "steadyhead.readings.rejects",
    "steadyhead.profile.model", "steadyhead.diagnosis.causes", "steadyhead.alerts", "steadyhead.archive",
    "steadyhead.desk", "steadyhead.store",
    *(f"steadyhead.live.{name}" for name in (
        "batch", "checkpoint", "connected", "doors", "file_readings", "growing", "intake", "journal", "lines",
        "profile_files", "quarantine", "reports", "settings", "tallies",
    )),
)  # fmt: skip


class Guided:
    """Feeds what libFuzzer makes, and keeps what went wrong."""

    def __init__(self, name: str, folder: Path) -> None:
        with atheris.instrument_imports(include=list(WATCHED), enable_loader_override=False):
            from .targets import target

            self.target = target(name)
            self.target.corpus()  # brings what is imported late
        self.found = folder / "found"
        self.found.mkdir(parents=True, exist_ok=True)
        self.seen: set[str] = set()

    def one(self, data: bytes) -> None:
        """One input."""
        try:
            self.target.run(bytes(data))
        except Exception as exc:
            place = "|".join(f"{f.filename}:{f.lineno}" for f in traceback.extract_tb(exc.__traceback__)[-3:])
            key = hashlib.sha256(f"{type(exc).__name__} {place}".encode()).hexdigest()[:12]
            if key in self.seen:
                return
            self.seen.add(key)
            (self.found / f"{key}.bin").write_bytes(data)
            (self.found / f"{key}.txt").write_text(traceback.format_exc(), encoding="utf-8", errors="replace")


def main() -> None:
    """Run until libFuzzer's options end it."""
    name, folder, *options = sys.argv[1:]
    guided = Guided(name, Path(folder))
    atheris.Setup([sys.argv[0], *options], guided.one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
