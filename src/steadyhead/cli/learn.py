"""``steadyhead learn``: what is normal for each station, written to a profile and said in plain words."""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from steadyhead import service
from steadyhead.cli.options import (
    logs_option,
    profiles_option,
    registry_option,
    seconds_at,
    span_options,
    stations_argument,
)
from steadyhead.cli.reading import (
    Logs,
    each,
    read_logs,
    say,
    show_left_out,
    show_rejects,
    span_of,
    stations_text,
)
from steadyhead.config import Registry, load_registry
from steadyhead.errors import LearningError, SteadyheadError
from steadyhead.profile.learn import learn as learn_profile
from steadyhead.profile.model import Profile
from steadyhead.report.learned import Facts, changed_facts, learned_facts, learned_line, withheld_facts
from steadyhead.store.profiles import profile_path, save_profile
from steadyhead.units import UnitSystem


@click.command(short_help="Learn what is normal for stations, from their logs.")
@stations_argument
@registry_option
@logs_option
@profiles_option
@span_options("learn from", "Without it, the span in the registry, or the whole log.")
def learn(
    stations: tuple[str, ...],
    registry: Path,
    logs: Path | None,
    profiles: Path,
    from_at: datetime | None,
    to_at: datetime | None,
) -> None:
    """Learn what is normal for each STATION (all, if none is named).

    Choose a span of three weeks or more in which the station worked as it should. For each station one
    readable profile is written, and what was learned is said in plain words: set pressure, droop, scatter,
    lock-up, flow coefficient, rhythm of flow, and from where on alerts are raised. What could not be
    learned is said too, with the judgements that are withheld for it. A station that cannot be read or
    learned is left out and named, and the exit code is 2; a profile that is replaced is kept.
    """
    out = Console()
    described = load_registry(registry)
    read = read_logs(described, logs, stations, out)
    learned = learn_all(described, read, out, from_at, to_at)
    for profile, path, replaced in save_all(profiles, learned):
        show_profile(out, profile, described.settings.units, path, replaced)
    show_rejects(out, read, None)
    show_left_out(out, read.left_out, len(learned))
    read.complain()


def learn_all(
    described: Registry,
    read: Logs,
    out: Console,
    from_at: datetime | None = None,
    to_at: datetime | None = None,
) -> dict[str, Profile]:
    """Profiles by station; one that cannot be learned is left out.

    Raises LearningError with one line per station if none of those read can be learned.
    """
    started = time.perf_counter()
    learned: dict[str, Profile] = {}
    problems: dict[str, str] = {}
    for name in each(out, list(read.readings), "Learning"):
        station = described.stations[name]
        readings = read.readings[name]
        is_asked = from_at is not None or to_at is not None
        declared = (None, None) if is_asked else station.learning_span_s()
        where = _where(is_asked=is_asked, is_declared=declared != (None, None))
        from_s = seconds_at(from_at, station.time_zone) if from_at is not None else declared[0]
        to_s = seconds_at(to_at, station.time_zone) if to_at is not None else declared[1]
        try:
            span = span_of(readings, from_s, to_s, station.time_zone)
            learned[name] = learn_profile(span, service.known(station, described.settings))
        except SteadyheadError as exc:
            problems[name] = f"{exc} (the span is {where})"
    read.left_out.update(problems)
    if not learned:
        raise LearningError("\n".join(read.left_out.values()))
    say(out, f"Learned {stations_text(len(learned))}", started)
    return learned


def _where(*, is_asked: bool, is_declared: bool) -> str:
    """Where the span to learn from was said."""
    if is_asked:
        return "that of --from and --to"
    return "that under learn in the registry" if is_declared else "the whole log"


def save_all(folder: Path, learned: Mapping[str, Profile]) -> Iterator[tuple[Profile, Path, Profile | None]]:
    """Put profiles in use, one by one; gives each with its path and what it replaced, if that differed."""
    for name, profile in learned.items():
        replaced = save_profile(folder, profile)
        yield profile, profile_path(folder, name), replaced


def show_briefly(out: Console, learned: Iterable[Profile], units: UnitSystem) -> None:
    """A line for each station: what was learned in short, and every remark on the span."""
    for profile in learned:
        out.print(Padding(Text(learned_line(profile, units)), (0, 0, 0, 2)))
        _show_remarks(out, profile, indent=4)


def show_profile(
    out: Console, profile: Profile, units: UnitSystem, path: Path, replaced: Profile | None
) -> None:
    """What was learned, what was not, and what changed."""
    out.print()
    out.print(
        Text(f"{profile.station}", style="bold"), Text(f"profile {profile.version}, {path}", style="dim")
    )
    out.print(_grid(learned_facts(profile, units)))
    withheld = withheld_facts(profile)
    if withheld:
        out.print(Padding(Text("Not judged, and why:"), (0, 0, 0, 2)))
        out.print(_grid(withheld, indent=4))
    _show_remarks(out, profile, indent=2)
    if replaced is not None:
        changes = changed_facts(replaced, profile, units)
        out.print(
            Padding(
                Text(f"In place of profile {replaced.version}, which is kept; what differs:"), (0, 0, 0, 2)
            )
        )
        out.print(
            _grid([(name, f"was: {before}\nnow: {after}") for name, before, after in changes], indent=4)
        )


def _show_remarks(out: Console, profile: Profile, indent: int) -> None:
    for remark in profile.remarks:
        out.print(Padding(Text(f"Note: {remark}"), (0, 0, 0, indent)))


def _grid(facts: Facts, indent: int = 2) -> Padding:
    grid = Table.grid(padding=(0, 2, 0, 0))
    grid.add_column(style="dim", min_width=16)
    grid.add_column(overflow="fold")
    for name, text in facts:
        grid.add_row(Text(name), Text(text))
    return Padding(grid, (0, 0, 0, indent))
