"""``steadyhead scan``: replay logs and say what is wrong, since when, how sure, and what to check."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click
from rich.console import Console

from steadyhead.alerts.jsonlines import to_json_lines
from steadyhead.alerts.model import Alert
from steadyhead.cli.learn import Keeping, nothing_learned, show_briefly, show_profile
from steadyhead.cli.options import (
    logs_option,
    profiles_option,
    registry_option,
    span_options,
    stations_argument,
)
from steadyhead.cli.over_stations import archive_options, over_stations, run_on_option, source_of
from steadyhead.cli.reading import complain, show_rejects
from steadyhead.cli.results import Details, Results, show_details, show_table, write_all
from steadyhead.config import load_registry
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import FeedError
from steadyhead.files import write_atomically
from steadyhead.fleet.outcome import KNOW, Outcome
from steadyhead.fleet.place import Place
from steadyhead.fleet.spans import Asked
from steadyhead.fleet.working import Scanning
from steadyhead.report.page import Page
from steadyhead.store.profiles import load_profiles
from steadyhead.units import UnitSystem

NEEDS_A_PERSON = 1
PRIORITIES_FOR_A_PERSON = ("medium", "high")


@click.command(short_help="Name what is wrong at stations, since when, and what to check.")
@stations_argument
@registry_option
@logs_option
@archive_options
@profiles_option
@run_on_option
@click.option(
    "--learn",
    "learns",
    is_flag=True,
    help="Learn first, as `steadyhead learn` does, and keep the profiles. Otherwise they must be there.",
)
@span_options("replay", "Without it, the whole log.")
@click.option(
    "--out",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    default=Path("out/scan"),
    show_default=True,
    help="Folder for alerts.jsonl, report.txt, plots/ and rejects/.",
)
@click.option(
    "--details",
    type=click.Choice(["active", "all", "none"]),
    default="active",
    show_default=True,
    help="Alerts to show with evidence, causes and field checks; report.txt has them all.",
)
@click.option(
    "--causes",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Your own YAML of causes, checks and cautions, laid over the packaged one.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="Print alerts as JSON lines and nothing else; write no files."
)
@click.pass_context
def scan(
    ctx: click.Context,
    stations: tuple[str, ...],
    registry: Path,
    logs: Path | None,
    data: Path | None,
    settings_path: Path | None,
    profiles: Path,
    place: Place,
    learns: bool,
    from_at: datetime | None,
    to_at: datetime | None,
    out: Path,
    details: Details,
    causes: Path | None,
    as_json: bool,
) -> None:
    """Replay the logs of each STATION (all, if none is named) and name what is wrong.

    Readings are taken in the order of their times and nothing looks ahead, so "raised" is when a live run
    would have raised the alert. Field checks are listed in the order to do them: first what is free and
    safe. They do not replace your own procedures, local codes, or licensed people.

    A station that cannot be read or has no fit profile is left out and named; the others are scanned.

    \b
    Exit code
      0  no alert of medium or high priority goes on
      1  at least one does
      2  a station was left out, an input is at fault, or a result cannot be
         written; stderr says which
    """  # noqa: D301  click keeps lines after that mark as they are
    console = Console(stderr=True, quiet=True) if as_json else Console()
    described = load_registry(registry)
    knowledge = load_knowledge(causes)
    work = Scanning(
        source_of(logs, data, settings_path),
        Asked(from_at, to_at),
        profiles.absolute(),
        knowledge,
        learning=Asked(learns=True) if learns else None,
        draws=not as_json,
    )
    keeping = Keeping(profiles)
    keep = keeping.keep if learns else _keep_nothing
    outcome = over_stations(described, stations, work, place, console, keep)
    _check_any(outcome, profiles, learns=learns)
    if learns:
        _tell_learned(keeping, None if as_json else out / "learned.txt", described.settings.units, console)
    results = Results(outcome.found, outcome.profiles, outcome.left_out, described, knowledge)
    if as_json:
        click.echo(to_json_lines(results.alerts), nl=False)
        show_rejects(Console(stderr=True), outcome.rejects, None)
    else:
        try:
            write_all(out, results, outcome.rejects)
        finally:  # a full disk must not keep what was found from being read
            show_rejects(console, outcome.rejects, out / "rejects")
            # What matters most comes last, where a terminal leaves it in view.
            show_details(console, results, details)
            show_table(console, results)
        console.print(f"\nAlerts, report, plots and values set aside: {out}", highlight=False, soft_wrap=True)
    complain(outcome.left_out)
    ctx.exit(exit_code(results.alerts))


def exit_code(alerts: list[Alert]) -> int:
    """1 if an alert of medium or high priority goes on, else 0."""
    waiting = [a for a in alerts if a.ended_at is None and a.priority in PRIORITIES_FOR_A_PERSON]
    return NEEDS_A_PERSON if waiting else 0


def _keep_nothing(outcome: Outcome) -> None:
    del outcome


def _check_any(outcome: Outcome, profiles: Path, *, learns: bool) -> None:
    """Raise what is wrong if no station at all came through."""
    if outcome.profiles:
        return
    if learns:
        nothing_learned(outcome)
    elif not outcome.steps_s:
        raise FeedError("\n".join(outcome.left_out.values()))
    elif len(outcome.problems[KNOW]) == len(outcome.steps_s):
        load_profiles(profiles, outcome.steps_s)  # names all that have none in one line
    complain(outcome.left_out)


def _tell_learned(keeping: Keeping, path: Path | None, units: UnitSystem, console: Console) -> None:
    """What was learned: in short on the console, in full in a file if one is given."""
    page = Page()
    for profile, place, replaced in keeping.kept:
        show_profile(page.console, profile, units, place, replaced)
    if path is not None:
        write_atomically(path, page.text())
        show_briefly(console, [profile for profile, _, _ in keeping.kept], units)
        console.print(f"In full: {path}", highlight=False, soft_wrap=True)
