"""``steadyhead scan``: replay logs and say what is wrong, since when, how sure, and what to check."""

from __future__ import annotations

import time
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console

from steadyhead import service
from steadyhead.alerts.jsonlines import to_json_lines
from steadyhead.alerts.model import Alert
from steadyhead.cli.learn import learn_all, save_all, show_briefly, show_profile
from steadyhead.cli.options import (
    logs_option,
    profiles_option,
    registry_option,
    seconds_at,
    span_options,
    stations_argument,
)
from steadyhead.cli.reading import Logs, each, read_logs, say, show_rejects, span_of, stations_text
from steadyhead.cli.results import Details, Found, Results, show_details, show_table, write_all
from steadyhead.config import Registry, load_registry
from steadyhead.diagnosis.causes import Knowledge, load_knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.errors import ProfileError, SteadyheadError
from steadyhead.files import write_atomically
from steadyhead.profile.model import Profile
from steadyhead.report.page import Page
from steadyhead.store.profiles import load_profile, load_profiles

NEEDS_A_PERSON = 1
PRIORITIES_FOR_A_PERSON = ("medium", "high")


@click.command(short_help="Name what is wrong at stations, since when, and what to check.")
@stations_argument
@registry_option
@logs_option
@profiles_option
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
    profiles: Path,
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
    read = read_logs(described, logs, stations, console)
    if learns:
        known = _learn_first(described, read, profiles, None if as_json else out / "learned.txt", console)
    else:
        known = _profiles_of(profiles, read)
    found = scan_all(described, read, known, knowledge, console, from_at, to_at)
    results = Results(found, known, read.left_out, described, knowledge)
    if as_json:
        click.echo(to_json_lines(results.alerts), nl=False)
        show_rejects(Console(stderr=True), read, None)
    else:
        try:
            write_all(out, results, read, console)
        finally:  # a full disk must not keep what was found from being read
            show_rejects(console, read, out / "rejects")
            # What matters most comes last, where a terminal leaves it in view.
            show_details(console, results, details)
            show_table(console, results)
        console.print(f"\nAlerts, report, plots and values set aside: {out}", highlight=False, soft_wrap=True)
    read.complain()
    ctx.exit(exit_code(results.alerts))


def exit_code(alerts: list[Alert]) -> int:
    """1 if an alert of medium or high priority goes on, else 0."""
    waiting = [a for a in alerts if a.ended_at is None and a.priority in PRIORITIES_FOR_A_PERSON]
    return NEEDS_A_PERSON if waiting else 0


def _learn_first(
    described: Registry, read: Logs, profiles: Path, path: Path | None, console: Console
) -> dict[str, Profile]:
    """Profiles learned and put in use; told in short on the console, in full in a file if one is given."""
    known = learn_all(described, read, console)
    units, page = described.settings.units, Page()
    for profile, place, replaced in save_all(profiles, known):
        show_profile(page.console, profile, units, place, replaced)
    if path is not None:
        write_atomically(path, page.text())
        show_briefly(console, known.values(), units)
        console.print(f"In full: {path}", highlight=False, soft_wrap=True)
    return known


def _profiles_of(folder: Path, read: Logs) -> dict[str, Profile]:
    """Profiles of what was read; stations without a fit one are left out, unless that is all of them."""
    steps_s = {name: readings.step_s for name, readings in read.readings.items()}
    try:
        return load_profiles(folder, steps_s)
    except ProfileError:
        known: dict[str, Profile] = {}
        for name, step_s in steps_s.items():
            try:
                known[name] = load_profile(folder, name, step_s)
            except ProfileError as exc:
                read.left_out[name] = str(exc)
        if not known:
            raise
        return known


def scan_all(
    described: Registry,
    read: Logs,
    known: dict[str, Profile],
    knowledge: Knowledge,
    console: Console,
    from_at: datetime | None,
    to_at: datetime | None,
) -> list[Found]:
    """Alerts of all stations with a profile, in the order of stations and of raising.

    One that cannot be scanned is left out of ``known`` too. Raises LeftOutError if that is all of them.
    """
    started = time.perf_counter()
    units = described.settings.units
    found: list[Found] = []
    for name in each(console, list(known), "Scanning"):
        station, readings = described.stations[name], read.readings[name]
        from_s, to_s = (seconds_at(at, station.time_zone) for at in (from_at, to_at))
        try:
            span = span_of(readings, from_s, to_s, station.time_zone)
            verdicts = service.scan_station(span, known[name], units)
        except SteadyheadError as exc:
            read.left_out[name] = str(exc)
            del known[name]
            continue
        found += [Found(to_alert(v, station, knowledge, units), v, span, known[name]) for v in verdicts]
    if not known:
        read.complain()
    say(console, f"Scanned {stations_text(len(known))}", started)
    return found
