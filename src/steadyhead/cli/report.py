"""``steadyhead report``: the health of a fleet in one week, as pages to read and figures to keep."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import click
from rich.console import Console

from steadyhead.cli.options import logs_option, profiles_option, registry_option, stations_argument
from steadyhead.cli.over_stations import run_on_option
from steadyhead.cli.reading import bar, say
from steadyhead.config import Registry, load_registry
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import LeftOutError, ReportError
from steadyhead.fleet.place import Place
from steadyhead.live.settings import RoomSettings, load_settings
from steadyhead.weekly.from_logs import LogSource
from steadyhead.weekly.material import Source, usual_zone
from steadyhead.weekly.opening import open_data
from steadyhead.weekly.settings import USUAL_SIGMA, ReportSettings
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import Written, make_report


@click.command(short_help="Write the weekly health report of a fleet.")
@stations_argument
@registry_option
@logs_option
@profiles_option
@click.option(
    "--data",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Data folder of a service: readings, alerts and what people did come from it, and not from logs.",
)
@click.option(
    "--settings",
    "settings_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Settings of the service: its data folder, database and profiles, and what stands under report.",
)
@run_on_option
@click.option("--week", metavar="WEEK", help="ISO week such as 2025-W44; the last whole one if left out.")
@click.option(
    "--out",
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    default=Path("out/report"),
    show_default=True,
    help="Folder for report.html, report.pdf, figures.csv and report.json.",
)
@click.option(
    "--sigma-limit",
    type=click.FloatRange(min=1.0, max=50.0, min_open=True),
    help="Cavitation index below which hours are counted where the registry gives a valve none; "
    f"{USUAL_SIGMA:g} if left out.",
)
@click.option("--date-language", metavar="TAG", help="Language of days and months: en-GB, de, nb, pt-BR ...")
@click.option("--no-pdf", is_flag=True, help="Leave the PDF out.")
@click.pass_context
def report(
    ctx: click.Context,
    stations: tuple[str, ...],
    registry: Path,
    logs: Path | None,
    profiles: Path,
    data: Path | None,
    settings_path: Path | None,
    place: Place,
    week: str | None,
    out: Path,
    sigma_limit: float | None,
    date_language: str | None,
    no_pdf: bool,
) -> None:
    """Report on one week of each STATION (all, if none is named).

    The first page says what to do this week and why, what got worse, what got better, and what could not be
    judged. Figures come from the logs as `scan` reads them, or with --data from a running service, whose
    database also knows who acknowledged, what was found and what was repaired. Nothing is written to either.

    A station named gets a page of its own; without names, those do that need one.

    \b
    Exit code
      0  the report is written
      2  a station was left out, an input is at fault, or the report cannot be
         written; stderr says which
    """  # noqa: D301  click keeps lines after that mark as they are
    console = Console()
    started = time.perf_counter()
    wanted = Week.parse(week) if week is not None else None
    described = load_registry(registry)
    room = load_settings(settings_path) if settings_path is not None or data is not None else None
    if room is not None and data is not None:
        room = room.model_copy(update={"data_folder": data})
    settings = _settings(room, sigma_limit, date_language, no_pdf)
    if room is None:
        source: Source = LogSource(described, logs, profiles, load_knowledge(), stations)
        written = _make(source, wanted, out, settings, stations, console, place)
    else:
        if ctx.get_parameter_source("profiles") is not click.core.ParameterSource.DEFAULT:
            room = room.model_copy(update={"profiles": profiles})
        with open_data(room, described, stations) as source:
            written = _make(source, wanted, out, settings, stations, console, place)
    _tell(written, described, console, started)
    if written.fleet.left_out:
        raise LeftOutError("\n".join(written.fleet.left_out.values()))


def _settings(
    room: RoomSettings | None, sigma_limit: float | None, language: str | None, no_pdf: bool
) -> ReportSettings:
    settings = room.report if room is not None else ReportSettings()
    given = {
        "sigma_limit": settings.sigma_limit if sigma_limit is None else sigma_limit,
        "date_language": language or settings.date_language,
        "has_pdf": settings.has_pdf and not no_pdf,
    }
    try:
        return ReportSettings.model_validate(settings.model_dump() | given)
    except ValueError as exc:
        raise ReportError(
            f'--date-language: "{language}" is no language that is known; use a tag such as en, de or pt-BR'
        ) from exc


def _make(
    source: Source, wanted: Week | None, out: Path, settings: ReportSettings, stations: tuple[str, ...],
    console: Console, place: Place,
) -> Written:  # fmt: skip
    with bar(console) as progress:
        task = progress.add_task("Reading", total=None)

        def on_progress(what: str, done: int, total: int) -> None:
            if total:
                progress.update(task, description=what, completed=done, total=total)
            else:  # one long step: a bar that only shows that it goes on
                progress.reset(task, description=what, total=None)

        week = wanted or last_whole_week(source, on_progress, place)
        return make_report(source, week, out, settings, pages_for=stations, progress=on_progress, place=place)


def last_whole_week(source: Source, progress: Callable[[str, int, int], None], place: Place) -> Week:
    """The last week that the readings fill. Raises ReportError if there is no reading at all."""
    progress("Looking for the last whole week", 0, len(source.names()))
    newest_s = source.newest_s(place)
    if newest_s is None:
        raise ReportError("\n".join(source.left_out.values()) or "there is no reading of any station")
    zone = usual_zone(source.registry, source.names())
    return Week.of(newest_s + 2 * 3600, zone).shifted(-1)


def _tell(written: Written, registry: Registry, console: Console, started: float) -> None:
    fleet = written.fleet
    say(console, f"{registry.utility}, week {fleet.week}: {len(fleet.stations)} stations judged", started)
    if not fleet.is_complete:
        console.print("The week is not complete; the report says so on its first page.", highlight=False)
    for item in fleet.work[:5]:
        console.print(f"  {item.order}. {item.station}: {item.what}", highlight=False, markup=False)
    if len(fleet.work) > 5:
        console.print(f"  and {len(fleet.work) - 5} more", highlight=False)
    names = ", ".join(path.name for path in written.files)
    console.print(f"{written.files[0].parent}: {names}", highlight=False, soft_wrap=True, markup=False)
