"""Reads registry and logs for a command, saying how far it is."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from steadyhead.config import Registry
from steadyhead.diagnosis.phrases import local_time
from steadyhead.errors import FeedError, LeftOutError
from steadyhead.feeds.load import load_what_can_be_read
from steadyhead.readings.frame import Readings
from steadyhead.readings.rejects import Rejects


@dataclass(frozen=True, slots=True)
class Logs:
    """What was read, what was refused, and what could not be read, by station.

    left_out : one line for each station that could not be read; later steps add theirs
    """

    readings: dict[str, Readings]
    rejects: dict[str, Rejects]
    left_out: dict[str, str]

    def complain(self) -> None:
        """Raise LeftOutError with a line for each station left out, so that the command ends with code 2."""
        if self.left_out:
            raise LeftOutError("\n".join(self.left_out.values()))


def read_logs(registry: Registry, log_root: Path | None, stations: tuple[str, ...], console: Console) -> Logs:
    """Read the stations' logs under a progress bar; says in one line how much was read.

    Raises FeedError if none of the stations can be read; otherwise those that cannot are left out.
    """
    started = time.perf_counter()
    with bar(console) as progress:
        task = progress.add_task("Reading logs", total=None)

        def on_progress(station: str, done: int, total: int) -> None:
            progress.update(task, description=f"Reading {station}", completed=done, total=total)

        read = load_what_can_be_read(registry, log_root, stations or None, on_progress)
    rows = sum(len(r) for r in read.readings.values())
    say(console, f"Read {stations_text(len(read.readings))}, {rows:,} rows", started)
    return Logs(read.readings, read.rejects, read.problems)


def stations_text(n: int) -> str:
    """How many: 1 station, 12 stations."""
    return f"{n} station{'' if n == 1 else 's'}"


def span_of(readings: Readings, from_s: int | None, to_s: int | None, time_zone: str) -> Readings:
    """The readings of a span; to their own ends where None. Raises FeedError if there are none in it."""
    span = readings.between(
        readings.start_s if from_s is None else from_s, readings.end_s if to_s is None else to_s
    )
    if not len(span):
        first, last = (local_time(at, time_zone) for at in (readings.start_s, readings.end_s))
        raise FeedError(
            f"{readings.station}: no reading lies in the span asked for, the log goes from {first} to {last} "
            f"({time_zone}); give another span"
        )
    return span


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
    """How many values were set aside, why, and where they lie."""
    loud = [name for name, rejects in logs.rejects.items() if rejects.summary()]
    if not loud:
        return
    console.print("\nValues set aside, and what else the logs held", style="underline")
    for name in loud:
        rejects = logs.rejects[name]
        _bullets(console, rejects.summary())
        if quarantine is not None and rejects.total:
            console.print(f"  Listed in {quarantine / name}.csv", highlight=False, markup=False)


def _bullets(console: Console, lines: Iterable[str]) -> None:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for line in lines:
        grid.add_row(Text("-"), Text(line if line.endswith("?") else f"{line}."))
    console.print(grid)


def show_left_out(console: Console, left_out: Mapping[str, str], n_done: int) -> None:
    """The stations of which nothing is known, and why unless stderr shows it right below."""
    if not left_out:
        return
    names = ", ".join(left_out)
    console.print(f"\nLeft out: {names}; done: {stations_text(n_done)}", style="underline", highlight=False)
    if console.is_terminal:
        return
    _bullets(console, left_out.values())
