"""Commands of ``python -m steadyhead.trials``: draw the sets, run one, evaluate both."""

from __future__ import annotations

from pathlib import Path

import click

from steadyhead.fleet.place import Place, parse_place
from steadyhead.trials.draw import draw_set
from steadyhead.trials.evaluate import evaluate
from steadyhead.trials.ranges import SETS
from steadyhead.trials.run import run_set

set_option = click.option(
    "--set",
    "name",
    type=click.Choice(list(SETS)),
    default="development",
    show_default=True,
    help="Which set of cases.",
)
cache_option = click.option(
    "--cache",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("out/trials"),
    show_default=True,
    help="Folder in which simulated runs are kept.",
)
place_option = click.option(
    "--run-on",
    "--jobs",
    "place",
    metavar="PLACE",
    type=parse_place,
    default="auto",
    help="Where cases are worked on: auto, here, a number of processes, or the address of a Dask scheduler.",
)


@click.group()
def main() -> None:
    """Measure how good detection is, on cases made by the proving plant."""


@main.command()
@set_option
@cache_option
@place_option
@click.option("--only", default="", help="Redraw no file: only try cases whose state or kind contains this.")
def draw(name: str, cache: Path, place: Place, only: str) -> None:
    """Draw the cases of a set and write its file; takes some 20 minutes."""
    drawn = draw_set(name, cache, place, only)
    click.echo(f"{len(drawn)} cases drawn")


@main.command()
@set_option
@cache_option
@place_option
@click.option("--only", default="", help="Only cases whose id, kind or wanted state contains this.")
@click.option("--any-plant", is_flag=True, help="Take kept runs even if the plant has changed since.")
@click.option("--quiet", is_flag=True, help="Only the table, no line per case.")
def run(name: str, cache: Path, place: Place, only: str, any_plant: bool, quiet: bool) -> None:
    """Learn, judge and score one set; a line per case goes to <cache>/<set>.csv."""
    run_set(name, cache, place=place, only=only, any_plant=any_plant, quiet=quiet)


@main.command(name="evaluate")
@cache_option
@place_option
@click.option("--page", type=click.Path(dir_okay=False, path_type=Path), default=Path("docs/evaluation.md"),
              show_default=True, help="Where the page of results is written.")  # fmt: skip
@click.option(
    "--baselines/--no-baselines", default=True, show_default=True, help="Also run what to compare with."
)
def evaluate_command(cache: Path, place: Place, page: Path, baselines: bool) -> None:
    """Measure both sets and the baselines, print the tables and write the page."""
    evaluate(cache, page, place, with_baselines=baselines)
