"""Where the work over a fleet runs: one setting for every command."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass

from steadyhead.errors import FleetError

FEW = 24
"""Stations up to which other processes are not worth their start: some 3 s, in which one core does a dozen
station-years."""
_ADDRESS = re.compile(r"(tcp|tls|ws|wss|ucx)://[^\s/]+\Z")


@dataclass(frozen=True, slots=True)
class Place:
    """Where to run.

    processes : of our own, on this machine; 1 is this very process, and None is chosen by how much there is
    scheduler : address of a running Dask scheduler, whose workers are then used instead
    """

    processes: int | None = None
    scheduler: str | None = None

    def processes_for(self, stations: int, jobs: int) -> int:
        """How many processes to start for so many stations in so many jobs; 1 is none."""
        wanted = self.processes
        if wanted is None:
            wanted = 1 if stations <= FEW else cores()
        return max(1, min(wanted, jobs))


HERE = Place(processes=1)
AUTO = Place()


def parse_place(text: str) -> Place:
    """The place that ``auto``, ``here``, a number of processes, or the address of a scheduler stands for.

    Raises FleetError for anything else.
    """
    word = text.strip()
    if word == "auto":
        return AUTO
    if word == "here":
        return HERE
    if word.isdecimal() and 1 <= int(word) <= 4096:
        return Place(processes=int(word))
    if _ADDRESS.match(word):
        return Place(scheduler=word)
    raise FleetError(
        f'"{text}" is no place to run on; write auto, here, a number of processes such as 4, or the address '
        "of a Dask scheduler such as tcp://10.0.0.5:8786"
    )


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
