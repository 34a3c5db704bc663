"""Reads registry and logs for a command, saying how far it is."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from steadyhead.config import Registry
from steadyhead.feeds.load import load_readings
from steadyhead.readings.frame import Readings
from steadyhead.readings.rejects import Rejects


@dataclass(frozen=True, slots=True)
class Logs:
    """What was read, and what was refused, by station."""

    readings: dict[str, Readings]
    rejects: dict[str, Rejects]


def read_logs(registry: Registry, log_root: Path | None, stations: tuple[str, ...], console: Console) -> Logs:
    """Read the stations' logs under a progress bar; says in one line how much was read."""
    started = time.perf_counter()
    with bar(console) as progress:
        task = progress.add_task("Reading logs", total=None)

        def on_progress(station: str, done: int, total: int) -> None:
            progress.update(task, description=f"Reading {station}", completed=done, total=total)

        readings, rejects = load_readings(registry, log_root, stations or None, on_progress)
    rows = sum(len(r) for r in readings.values())
    say(console, f"Read {len(readings)} stations, {rows:,} rows", started)
    return Logs(readings, rejects)


@contextmanager
def bar(console: Console) -> Iterator[Progress]:
    """A progress bar that leaves nothing behind, and shows nothing where nobody watches."""
    columns = (
        TextColumn("{task.description}", table_column=None),
        BarColumn(bar_width=30),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        yield progress


def each(console: Console, names: list[str], word: str) -> Iterator[str]:
    """The names one by one, under a progress bar."""
    with bar(console) as progress:
        task: TaskID = progress.add_task(word, total=len(names))
        for name in names:
            progress.update(task, description=f"{word} {name}")
            yield name
            progress.advance(task)


def say(console: Console, text: str, started: float) -> None:
    """A finished step and how long it took."""
    console.print(f"{text} ({time.perf_counter() - started:.1f} s).", highlight=False, soft_wrap=True)


def show_rejects(console: Console, logs: Logs, quarantine: Path | None) -> None:
    """How many values were refused, why, and where they lie."""
    loud = [name for name, rejects in logs.rejects.items() if rejects.summary()]
    if not loud:
        return
    console.print("\nRefused, or met on the way", style="underline")
    for name in loud:
        rejects = logs.rejects[name]
        for line in rejects.summary():
            console.print(f"- {line}.", highlight=False, markup=False)
        if quarantine is not None and rejects.total:
            console.print(f"  All of them: {quarantine / name}.csv", highlight=False, markup=False)
