"""``steadyhead learn``: what is normal for each station, written to a profile and said in plain words."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from steadyhead.cli.options import (
    logs_option,
    profiles_option,
    registry_option,
    span_options,
    stations_argument,
)
from steadyhead.cli.over_stations import archive_options, over_stations, run_on_option, source_of
from steadyhead.cli.reading import complain, show_left_out, show_rejects
from steadyhead.config import load_registry
from steadyhead.errors import FeedError, LearningError
from steadyhead.fleet.outcome import LEARN, Outcome
from steadyhead.fleet.place import Place
from steadyhead.fleet.spans import Asked
from steadyhead.fleet.working import Learning
from steadyhead.profile.model import Profile
from steadyhead.report.learned import Facts, changed_facts, learned_facts, learned_line, withheld_facts
from steadyhead.store.profiles import profile_path, save_profile
from steadyhead.units import UnitSystem


@click.command(short_help="Learn what is normal for stations, from their logs.")
@stations_argument
@registry_option
@logs_option
@archive_options
@profiles_option
@run_on_option
@span_options("learn from", "Without it, the span in the registry, or the whole log.")
def learn(
    stations: tuple[str, ...],
    registry: Path,
    logs: Path | None,
    data: Path | None,
    settings_path: Path | None,
    profiles: Path,
    place: Place,
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
    work = Learning(source_of(logs, data, settings_path), Asked(from_at, to_at, learns=True))
    keeping = Keeping(profiles)
    outcome = over_stations(described, stations, work, place, out, keeping.keep)
    nothing_learned(outcome)
    for profile, path, replaced in keeping.kept:
        show_profile(out, profile, described.settings.units, path, replaced)
    show_rejects(out, outcome.rejects, None)
    show_left_out(out, outcome.left_out, len(outcome.profiles))
    complain(outcome.left_out)


@dataclass(slots=True)
class Keeping:
    """Puts profiles in use as they come, and remembers each with its path and what it replaced."""

    folder: Path
    kept: list[tuple[Profile, Path, Profile | None]] = field(default_factory=list)

    def keep(self, outcome: Outcome) -> None:
        """Write the profiles of a lot. Raises OutputError."""
        for name, profile in outcome.profiles.items():
            replaced = save_profile(self.folder, profile)
            self.kept.append((profile, profile_path(self.folder, name), replaced))


def nothing_learned(outcome: Outcome) -> None:
    """Raise FeedError if nothing could be read, LearningError if nothing could be learned."""
    if not outcome.steps_s:
        raise FeedError("\n".join(outcome.left_out.values()))
    if len(outcome.problems[LEARN]) == len(outcome.steps_s):
        raise LearningError("\n".join(outcome.left_out.values()))


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
