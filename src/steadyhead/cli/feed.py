"""``steadyhead feed``: look at a feed before it goes live."""

from __future__ import annotations

import json
import time
from pathlib import Path

import click
from rich.console import Console

from steadyhead.cli.options import logs_option, registry_option, stations_argument
from steadyhead.config import load_registry, parse_registry
from steadyhead.config.fields import did_you_mean
from steadyhead.errors import FeedError
from steadyhead.feeds.check.feed_sample import check_points
from steadyhead.feeds.check.findings import Report
from steadyhead.feeds.check.logs import check_logs
from steadyhead.feeds.check.table import show
from steadyhead.feeds.connector import Points
from steadyhead.feeds.mapper import Mapper
from steadyhead.feeds.mapping import Mapping, load_mapping
from steadyhead.feeds.opening import open_connector
from steadyhead.live.settings import load_settings

USUAL_SETTINGS = Path("config/service.yaml")
READ_S, LISTEN_S = 5 * 86_400.0, 30.0  # five days, since the clock is judged from four

settings_option = click.option(
    "--settings",
    "path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help=f"YAML file with the settings of the service; {USUAL_SETTINGS} if it is there and none is named.",
)


@click.group(short_help="Check a feed before it goes live: tags, units, clocks, quality.")
def feed() -> None:
    """What comes from logs, historians and brokers, looked at before it is used."""


@feed.command(name="check", short_help="Read a sample and say what looks wrong; nothing is written.")
@stations_argument
@registry_option
@logs_option
@click.option("--feed", "name", metavar="NAME", help="Check this feed of the settings in place of log files.")
@settings_option
@click.option(
    "--for",
    "seconds",
    metavar="SECONDS",
    type=click.FloatRange(min=0.1),
    help="How far back to read (5 days if left out), or how long to listen to a broker (30 s).",
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of tables.")
def check_command(
    stations: tuple[str, ...],
    registry: Path,
    logs: Path | None,
    name: str | None,
    path: Path | None,
    seconds: float | None,
    as_json: bool,
) -> None:
    """Read a sample of the logs, or of a feed, and say what looks wrong: tags, units, clocks, gaps, quality.

    Nothing is written and nothing is learned. Exit code 1 if something looks wrong, 0 if nothing does.
    """
    if name is not None:
        mapping, points, reach_days = _sample(name, path, seconds, with_reach=True)
        report = check_points(f"feed {name}", points, mapping, time.time(), reach_days)
        if stations:
            report.stations = [one for one in report.stations if one.station in stations]
        _finish(report, as_json)
        return
    loaded = load_registry(registry)
    names = list(stations) or list(loaded.stations)
    for name in names:
        if name not in loaded.stations:
            hint = did_you_mean(name, list(loaded.stations))
            raise FeedError(f'there is no station "{name}" in the registry' + (f"; {hint}" if hint else ""))
    report = check_logs(loaded, logs if logs is not None else loaded.log_root, names, time.time())
    _finish(report, as_json)


@feed.command(name="stations", short_help="Print a registry of the stations that a feed's tags make.")
@click.argument("name")
@settings_option
@click.option("--for", "seconds", metavar="SECONDS", type=click.FloatRange(min=0.1), help="As of feed check.")
def stations_command(name: str, path: Path | None, seconds: float | None) -> None:
    """Read a sample of the feed NAME and print a registry of the stations its mapping makes of the tags.

    Nothing is written; send the output to a file, such as config/stations.yaml, and look it over.
    """
    mapping, points, _ = _sample(name, path, seconds)
    mapper = Mapper(mapping)
    text = mapper.registry_text(points.tags)
    parse_registry(text, "stations.yaml")  # what stations: of the mapping gets wrong is said here
    click.echo(text, nl=False)


def _sample(
    name: str, path: Path | None, seconds: float | None, *, with_reach: bool = False
) -> tuple[Mapping, Points, int | None]:
    """The feed's mapping, a sample, and how far back it stores readings if that is asked for and known."""
    settings = load_settings(USUAL_SETTINGS if path is None and USUAL_SETTINGS.exists() else path)
    if name not in settings.feeds:
        known = ", ".join(settings.feeds) or "none"
        hint = did_you_mean(name, list(settings.feeds))
        raise FeedError(f'there is no feed "{name}" under feeds: in the settings (there: {known})' + (
            f"; {hint}" if hint else "; name the file with --settings"))  # fmt: skip
    one = settings.feeds[name]
    mapping = load_mapping(one.mapping)
    connector = open_connector(name, one)
    try:
        usual = LISTEN_S if one.kind == "mqtt" else READ_S
        points = connector.sample(usual if seconds is None else seconds)
        reach_days = connector.reach_days() if with_reach and len(points) else None
    finally:
        connector.close()
    if not len(points):
        raise FeedError(
            f"{name}: {connector.describe()} gave nothing in the time asked for; ask for more with "
            f"--for, or mend "
            "what it is to read"
        )
    return mapping, points, reach_days


def _finish(report: Report, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps(report.to_dict(), indent=1, ensure_ascii=False))
    else:
        out = Console()
        show(report, Console(width=max(out.width, 150)) if not out.is_terminal else out)
    if report.findings:
        click.get_current_context().exit(1)
