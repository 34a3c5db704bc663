"""What several commands show: a bar, steps done, refused values, stations left out."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from steadyhead.errors import LeftOutError
from steadyhead.readings.rejects import Rejects


def stations_text(n: int) -> str:
    """How many: 1 station, 12 stations."""
    return f"{n} station{'' if n == 1 else 's'}"


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


def say(console: Console, text: str, started: float) -> None:
    """A finished step and how long it took."""
    console.print(f"{text} ({time.perf_counter() - started:.1f} s).", highlight=False, soft_wrap=True)


def complain(left_out: Mapping[str, str]) -> None:
    """Raise LeftOutError with a line for each station left out, so that the command ends with code 2."""
    if left_out:
        raise LeftOutError("\n".join(left_out.values()))


def show_rejects(console: Console, all_rejects: Mapping[str, Rejects], quarantine: Path | None) -> None:
    """How many values were set aside, why, and where they lie."""
    loud = [name for name, rejects in all_rejects.items() if rejects.summary()]
    if not loud:
        return
    console.print("\nValues set aside, and what else the logs held", style="underline")
    for name in loud:
        rejects = all_rejects[name]
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
