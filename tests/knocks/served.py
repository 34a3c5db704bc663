"""``steadyhead serve`` as it is, but with clocks that a test may set.

``python -m tests.knocks.served CLOCKS ...``: CLOCKS is a file of two numbers: how far the wall clock has been
set, and how much longer we have listened than the machine says [s]. They are read anew at each look at a
clock, so that a step needs no word to the process.
"""

from __future__ import annotations

import mmap
import struct
import sys
import time
from pathlib import Path

from steadyhead.cli import main
from steadyhead.live import room
from steadyhead.live.clock import Clock

FORM = struct.Struct("<dd")


def set_clocks(path: Path, wall_s: float, steady_s: float) -> None:
    """Write the file in one piece; a process that runs sees it at once."""
    with path.open("r+b" if path.exists() else "w+b") as file:
        file.write(FORM.pack(wall_s, steady_s))


def serve(path: Path, words: list[str]) -> None:
    """Serve until stopped."""
    with path.open("rb") as file, mmap.mmap(file.fileno(), FORM.size, access=mmap.ACCESS_READ) as held:
        room.Clock = lambda: Clock(  # type: ignore[misc,assignment]
            lambda: time.time() + FORM.unpack_from(held)[0],
            lambda: time.monotonic() + FORM.unpack_from(held)[1],
        )
        main(words)


if __name__ == "__main__":
    serve(Path(sys.argv[1]), ["serve", *sys.argv[2:]])
