"""Runs a command's work over its stations, on the place that was chosen, and says how far it is."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress, TaskID

from steadyhead.archive.place import archive_place
from steadyhead.cli.options import Command
from steadyhead.cli.reading import bar, stations_text
from steadyhead.config import Registry
from steadyhead.errors import FleetError, ReportError
from steadyhead.feeds.load import known_names
from steadyhead.fleet.crew import Lost, Work, run
from steadyhead.fleet.lots import Lot, lot_size, lots_of
from steadyhead.fleet.outcome import DRAW, LEARN, READ, SCAN, Outcome
from steadyhead.fleet.place import Place, parse_place
from steadyhead.fleet.readings import ArchiveReadings, LogFiles, Readable
from steadyhead.fleet.told import At, Finished, Told
from steadyhead.live.settings import load_settings

DOING = {READ: "Reading", LEARN: "Learning", SCAN: "Scanning", DRAW: "Drawing"}


class PlaceType(click.ParamType[Place]):
    """Where to run, as ``fleet.place.parse_place`` reads it."""

    name = "place"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> Place:
        """The place; a usage error says what may be written."""
        if isinstance(value, Place):
            return value
        try:
            return parse_place(str(value))
        except FleetError as exc:
            self.fail(str(exc), param, ctx)


def run_on_option(command: Command) -> Command:
    """``--run-on``."""
    return click.option(
        "--run-on",
        "place",
        metavar="PLACE",
        type=PlaceType(),
        default="auto",
        show_default=True,
        help="Where the work runs: here, a number of processes, or the address of a Dask scheduler; auto "
        "takes all cores if there are many stations.",
    )(command)


def archive_options(command: Command) -> Command:
    """``--data`` and ``--settings``: readings from what a service has kept."""
    command = click.option(
        "--settings",
        "settings_path",
        metavar="FILE",
        type=click.Path(path_type=Path),
        help="Settings of a service: readings come from where it keeps them, which may be InfluxDB.",
    )(command)
    return click.option(
        "--data",
        metavar="FOLDER",
        type=click.Path(path_type=Path),
        help="Data folder of a service: readings come from its archive, and not from logs.",
    )(command)


def source_of(logs: Path | None, data: Path | None, settings_path: Path | None) -> Readable:
    """Where readings come from. Raises ReportError if a data folder is not there."""
    if data is None and settings_path is None:
        return LogFiles(logs)
    room = load_settings(settings_path)
    if data is not None:
        room = room.model_copy(update={"data_folder": data})
    if room.readings_store == "embedded" and not room.data_folder.is_dir():
        raise ReportError(
            f"{room.data_folder}: there is no such data folder; name that of a service with --data"
        )
    return ArchiveReadings(archive_place(room))


@dataclass(slots=True)
class Steps:
    """Shows where the work is, and says each step once it is through for all stations.

    of : stations in all
    """

    console: Console
    progress: Progress
    of: int
    task: TaskID = field(init=False)
    sums: dict[str, list[float]] = field(default_factory=dict)
    through: int = 0

    def __post_init__(self) -> None:
        self.task = self.progress.add_task("Working", total=self.of)

    def hear(self, told: Told) -> None:
        """Take in what a lot says of itself."""
        if isinstance(told, At):
            word = f"{DOING[told.step]} {told.station}"
            self.progress.update(self.task, description=word, completed=self.through + told.done)
            return
        tried, good, rows, seconds = self.sums.setdefault(told.step, [0, 0, 0, 0.0])
        tried, good = tried + told.tried, good + told.good
        rows, seconds = rows + told.rows, seconds + told.seconds
        self.sums[told.step] = [tried, good, rows, seconds]
        if tried == self.of and (good or told.step == DRAW):
            text = _done_text(told.step, int(good), int(rows))
            self.console.print(f"{text} ({seconds:.1f} s).", highlight=False, soft_wrap=True)

    def lost(self, lot: Lot) -> None:
        """Count a lot that was given up as gone through, so that the steps are said."""
        for step in self.sums or (READ,):
            self.hear(Finished(step, len(lot), 0, 0.0))

    def lot_done(self, lot: Lot) -> None:
        """Move the bar on."""
        self.through += len(lot)
        self.progress.update(self.task, completed=self.through)


def _done_text(step: str, good: int, rows: int) -> str:
    if step == READ:
        return f"Read {stations_text(good)}, {rows:,} rows"
    if step == DRAW:
        return f"Drew {good} plot{'' if good == 1 else 's'}"
    return f"{ {LEARN: 'Learned', SCAN: 'Scanned'}[step] } {stations_text(good)}"


def over_stations(
    described: Registry,
    stations: tuple[str, ...],
    work: Work[Lot, Outcome],
    place: Place,
    console: Console,
    on_lot: Callable[[Outcome], None] = lambda _outcome: None,
) -> Outcome:
    """The outcome of the stations named (all, if none is), lot by lot in their order.

    on_lot : called with the outcome of each lot as it comes, such as to keep it
    Raises FeedError for a name that is not known, FleetError if the place cannot be worked on.
    """
    names = known_names(described, stations or None)
    lots = lots_of(described, names, lot_size(place, len(names)))
    whole, began = Outcome(), time.perf_counter()
    with bar(console) as progress:
        steps = Steps(console, progress, sum(map(len, lots)))
        for lot, done in zip(lots, run(work, lots, place, steps.hear), strict=True):
            if isinstance(done, Lost):
                whole.give_up(done)
                steps.lost(lot)
            else:
                on_lot(done)
                whole.add(done)
            steps.lot_done(lot)
    _say_where(console, place, lots, began)
    return whole


def _say_where(console: Console, place: Place, lots: Iterable[Lot], began: float) -> None:
    lots = list(lots)
    n = place.processes_for(sum(map(len, lots)), len(lots))
    if place.scheduler is None and n == 1:
        return
    where = f"the workers of {place.scheduler}" if place.scheduler is not None else f"{n} processes"
    took = time.perf_counter() - began
    console.print(f"Done by {where} in {took:.1f} s.", highlight=False, soft_wrap=True)
