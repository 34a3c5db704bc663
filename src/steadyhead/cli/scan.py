"""``steadyhead scan``: replay logs and say what is wrong, since when, how sure, and what to check."""

from __future__ import annotations

import io
import re
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

import click
from rich.console import Console

from steadyhead import service
from steadyhead.alerts.jsonlines import to_json_lines
from steadyhead.alerts.model import Alert, Verdict
from steadyhead.cli.learn import learn_all, show_profile
from steadyhead.cli.options import (
    logs_option,
    profiles_option,
    registry_option,
    seconds_at,
    span_options,
    stations_argument,
)
from steadyhead.cli.reading import Logs, each, read_logs, say, show_rejects
from steadyhead.config import Registry, load_registry
from steadyhead.diagnosis.causes import Knowledge, load_knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.files import write_atomically
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.report.learned import withheld_line
from steadyhead.report.plots import plot_alert
from steadyhead.report.table import alert_detail, alert_table, quiet_line, worst_first
from steadyhead.store.profiles import load_profiles, profile_path, save_profile

NEEDS_A_PERSON = 1
PRIORITIES_FOR_A_PERSON = ("medium", "high")
PLOT_NAME = re.compile(r".+-[0-9a-f]{16}\.png\Z")
Details = Literal["active", "all", "none"]


@dataclass(frozen=True, slots=True)
class Found:
    """One alert and what its plot is drawn from."""

    alert: Alert
    verdict: Verdict
    readings: Readings
    profile: Profile


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

    \b
    Exit code
      0  no alert of medium or high priority goes on
      1  at least one does
      2  an input is at fault or a result cannot be written; stderr says which
    """  # noqa: D301  click keeps lines after that mark as they are
    console = Console(stderr=True, quiet=True) if as_json else Console()
    described = load_registry(registry)
    knowledge = load_knowledge(causes)
    read = read_logs(described, logs, stations, console)
    if learns:
        known = learn_all(described, read, console)
        for name, profile in known.items():
            replaced = save_profile(profiles, profile)
            show_profile(console, profile, described.settings.units, profile_path(profiles, name), replaced)
        console.print()
    else:
        known = load_profiles(profiles, {name: r.step_s for name, r in read.readings.items()})
    found = scan_all(described, read, known, knowledge, console, from_at, to_at)
    alerts = [item.alert for item in found]
    if as_json:
        click.echo(to_json_lines(worst_first(alerts)), nl=False)
        show_rejects(Console(stderr=True), read, None)
    else:
        try:
            write_all(out, found, read, known, described, knowledge, console)
        finally:  # a full disk must not keep what was found from being read
            show_rejects(console, read, out / "rejects")
            # What matters most comes last, where a terminal leaves it in view.
            show_details(console, alerts, described, knowledge, details)
            show_table(console, alerts, known, described, knowledge)
        console.print(f"\nAlerts, report, plots and refused values: {out}", highlight=False, soft_wrap=True)
    ctx.exit(exit_code(alerts))


def exit_code(alerts: list[Alert]) -> int:
    """1 if an alert of medium or high priority goes on, else 0."""
    waiting = [a for a in alerts if a.ended_at is None and a.priority in PRIORITIES_FOR_A_PERSON]
    return NEEDS_A_PERSON if waiting else 0


def scan_all(
    described: Registry,
    read: Logs,
    known: dict[str, Profile],
    knowledge: Knowledge,
    console: Console,
    from_at: datetime | None,
    to_at: datetime | None,
) -> list[Found]:
    """Alerts of all stations, in the order of stations and of raising."""
    started = time.perf_counter()
    units = described.settings.units
    found: list[Found] = []
    for name in each(console, list(read.readings), "Scanning"):
        station, readings = described.stations[name], read.readings[name]
        from_s, to_s = (seconds_at(at, station.time_zone) for at in (from_at, to_at))
        span = readings.between(
            readings.start_s if from_s is None else from_s, readings.end_s if to_s is None else to_s
        )
        found += [
            Found(to_alert(verdict, station, knowledge, units), verdict, span, known[name])
            for verdict in service.scan_station(span, known[name], units)
        ]
    say(console, f"Scanned {len(read.readings)} stations", started)
    return found


def write_all(
    out: Path,
    found: list[Found],
    read: Logs,
    known: dict[str, Profile],
    described: Registry,
    knowledge: Knowledge,
    console: Console,
) -> None:
    """Alerts first, because they matter most; then refused values, the report and the plots."""
    started = time.perf_counter()
    alerts = [item.alert for item in found]
    write_atomically(out / "alerts.jsonl", to_json_lines(worst_first(alerts)))
    for rejects in read.rejects.values():
        rejects.write(out / "rejects")
    write_atomically(out / "report.txt", report_text(alerts, known, described, knowledge))
    drawn = draw_all(out / "plots", found, described, knowledge, console)
    for path in (out / "plots").glob("*.png"):
        if PLOT_NAME.match(path.name) and path not in drawn:  # of an earlier scan
            path.unlink()
    say(console, f"Drew {len(drawn)} plots", started)


def draw_all(
    folder: Path, found: list[Found], described: Registry, knowledge: Knowledge, console: Console
) -> set[Path]:
    """One plot per alert; returns their paths."""
    drawn: set[Path] = set()
    bands = {i.alert.station: service.band(i.readings, i.profile) for i in found}
    by_name = {f"{i.alert.station}-{i.alert.condition}-{i.alert.alert_id}": i for i in found}
    for name in each(console, list(by_name), "Drawing"):
        item = by_name[name]
        path = folder / f"{name}.png"
        plot_alert(
            item.verdict,
            item.readings,
            bands[item.alert.station],
            path,
            described.settings.units,
            time_zone=described.stations[item.alert.station].time_zone,
            title=knowledge.entries[item.alert.condition].title,
        )
        drawn.add(path)
    return drawn


def show_table(
    console: Console,
    alerts: list[Alert],
    known: dict[str, Profile],
    described: Registry,
    knowledge: Knowledge,
) -> None:
    """A row per alert, worst first, then the stations nothing is said of, then what is not judged."""
    console.print()
    console.print(alert_table(alerts, knowledge, described.settings.units, _zones(described)))
    console.print(quiet_line(known, alerts), highlight=False)
    withheld = withheld_line(known.values())
    if withheld:
        console.print(withheld, highlight=False)


def show_details(
    console: Console, alerts: list[Alert], described: Registry, knowledge: Knowledge, details: Details
) -> None:
    """The alerts asked for in full, worst first."""
    for alert in worst_first(alerts):
        if details == "all" or (details == "active" and alert.ended_at is None):
            console.print()
            zone = _zones(described)[alert.station]
            console.print(alert_detail(alert, knowledge, described.settings.units, zone))


def _zones(described: Registry) -> dict[str, str]:
    return {name: station.time_zone for name, station in described.stations.items()}


def report_text(
    alerts: list[Alert], known: dict[str, Profile], described: Registry, knowledge: Knowledge
) -> str:
    """Table and every alert in full, as plain text for 100 columns."""
    text = io.StringIO()
    console = Console(width=100, file=text)
    show_table(console, alerts, known, described, knowledge)
    show_details(console, alerts, described, knowledge, "all")
    return "\n".join(line.rstrip() for line in text.getvalue().splitlines()).strip() + "\n"
