"""``steadyhead plant``: logs of a simulated station with chosen faults, and the truth about them."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from steadyhead.cli.reading import say
from steadyhead.proving_plant import EVENTS, FAULTS
from steadyhead.proving_plant.asked import DISTRICTS, Asked
from steadyhead.proving_plant.made import Made, make_station
from steadyhead.units import UNIT_SYSTEMS

USUAL_START = datetime(2025, 3, 3, tzinfo=UTC)  # a Monday; the clocks change within the usual span


@click.command(short_help="Make the log of a simulated station, with known faults.")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--list", "lists", is_flag=True, help="List faults and events with what they mean, and stop.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="KIND=SEVERITY@DAY+DAYS",
    help="A part that fails: how badly (0 to 1), from which day, growing over how many days.",
)
@click.option(
    "--event",
    "events",
    multiple=True,
    metavar="KIND=SIZE@DAY+DAYS",
    help="Something that happens around a sound valve: how large, from which day, for how many days.",
)
@click.option(
    "--days",
    type=click.IntRange(5, 400),
    metavar="DAYS",
    default=35,
    show_default=True,
    help="Length of the log.",
)
@click.option(
    "--every",
    "interval_s",
    type=int,
    metavar="SECONDS",
    default=60,
    show_default=True,
    help="Time between readings.",
)
@click.option(
    "--district",
    type=click.Choice(list(DISTRICTS)),
    default="usual",
    show_default=True,
    help="closed-nights: no demand at night, so creep can show; two-feeds: a second station feeds it too.",
)
@click.option(
    "--units",
    type=click.Choice(list(UNIT_SYSTEMS)),
    default="kpa_lps",
    show_default=True,
    help="Units in the log.",
)
@click.option(
    "--time-zone", metavar="ZONE", default="UTC", show_default=True, help="IANA zone of the station's clock."
)
@click.option(
    "--name", metavar="NAME", default="proving_station", show_default=True, help="Name of the station."
)
@click.option(
    "--seed",
    type=int,
    metavar="NUMBER",
    default=1,
    show_default=True,
    help="Another seed gives another run of luck in demand, supply and instruments.",
)
def plant(
    folder: Path | None,
    lists: bool,
    faults: tuple[str, ...],
    events: tuple[str, ...],
    days: int,
    interval_s: int,
    district: str,
    units: str,
    time_zone: str,
    name: str,
    seed: int,
) -> None:
    """Make the log of a simulated station in FOLDER, with chosen faults and events.

    FOLDER gets the log (CSV), a stations.yaml to learn and scan it with, and truth.json: what the station
    should be reported to have, since when and how large, measured against a twin in which nothing
    happened. Faults are made by degrading parts, so small ones may have no effect worth a name.

    \b
    For example, a seat that wears out over two days from day 26:
      steadyhead plant worn --district closed-nights --fault seat_worn=0.5@26+2
      steadyhead scan --learn --registry worn/stations.yaml
    """  # noqa: D301  click keeps lines after that mark as they are
    out = Console()
    if lists:
        _list_kinds(out)
        return
    if folder is None:
        raise click.UsageError("FOLDER is missing: say where to put the log, or ask for --list")
    started = time.perf_counter()
    asked = Asked(
        name=name,
        days=days,
        interval_s=interval_s,
        start_s=int(USUAL_START.timestamp()),
        seed=seed,
        time_zone=time_zone,
        district=district,
        faults=faults,
        events=events,
    )
    made = make_station(asked, folder, UNIT_SYSTEMS[units])
    say(out, f"Simulated {days} days of {name}", started)
    _say_truth(out, made)


def _say_truth(out: Console, made: Made) -> None:
    record = made.truth
    out.print(f"Truth: {made.sentence}", highlight=False, soft_wrap=True)
    for path in made.files:
        out.print(f"Wrote {path}", highlight=False, soft_wrap=True)
    if record["condition"] == "healthy" and record["causes"]:
        out.print(
            "What was asked for had no effect worth a name. Events may be meant so; a fault may need a "
            "higher severity, a longer log, or closed nights.",
            highlight=False,
        )


def _list_kinds(out: Console) -> None:
    out.print("Faults: parts that degrade, to severity s from 0 to 1", style="underline")
    out.print(_kinds([(name, kind.meaning, ", ".join(kind.leads_to)) for name, kind in FAULTS.items()]))
    out.print("\nEvents: things that happen around a sound valve", style="underline")
    out.print(_kinds([(name, kind.meaning, kind.state) for name, kind in EVENTS.items()]))
    out.print(
        "\nBehind the arrow: what it may lead to, or should be reported as. An event on an instrument may "
        "name the channel: transmitter_stuck:inlet@20+1.",
        highlight=False,
    )


def _kinds(rows: list[tuple[str, str, str]]) -> Table:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(no_wrap=True)
    grid.add_column(overflow="fold")
    for name, meaning, leads_to in rows:
        text = Text(meaning)
        text.append(f"\n-> {leads_to.replace('_', ' ')}", style="dim")
        grid.add_row(Text(name), text)
    return grid
