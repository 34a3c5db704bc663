"""What a parser is to the fuzzer: one function of bytes, bytes to start from, and the errors it may raise."""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

PLACE = "STEADYHEAD_FUZZ_PLACE"
LONGEST_S = 15.0
"""Processor time that one input may take; every input here is below 64 kB."""


class SlowError(AssertionError):
    """An input took far longer than its size explains."""


@dataclass(frozen=True, slots=True)
class Target:
    """One parser.

    feed : takes the bytes; whatever it raises besides ``may_raise`` is a defect
    may_raise : error classes of our own that the parser is documented to raise
    corpus : well-formed inputs, made by our own code; words : what is worth inserting into them
    """

    name: str
    feed: Callable[[bytes], object]
    corpus: Callable[[], Sequence[bytes]]
    may_raise: tuple[type[Exception], ...] = ()
    words: Sequence[bytes] = ()

    def run(self, data: bytes) -> bool:
        """Feed it; whether the parser took it. Raises what must not be raised, or SlowError."""
        began_s = time.process_time()
        try:
            self.feed(data)
        except self.may_raise:
            return False
        finally:
            took_s = time.process_time() - began_s
        if took_s > LONGEST_S:
            raise SlowError(f"{self.name}: {len(data)} bytes took {took_s:.1f} s of processor time")
        return True


@cache
def folder() -> Path:
    """A folder in memory where the machine has one; gone when the process ends."""
    if PLACE in os.environ:  # libFuzzer ends a process at once; who started it takes the folder away
        return Path(os.environ[PLACE])
    shared = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="steadyhead-fuzz-", dir=shared if shared.is_dir() else None))
    atexit.register(shutil.rmtree, made, ignore_errors=True)
    return made


def written(name: str, data: bytes) -> Path:
    """A file with these bytes."""
    path = folder() / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return path


def text_of(data: bytes) -> str:
    """Any text that Python can hold: UTF-8 where it is, and each other byte as a character of its own."""
    return data.decode("utf-8", "surrogateescape")
