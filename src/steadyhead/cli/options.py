"""Options that several commands share, and how a person writes a time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

import click

Command = TypeVar("Command", bound=Callable[..., Any])

USUAL_REGISTRY = Path("config/stations.yaml")
USUAL_PROFILES = Path("out/profiles")


class When(click.ParamType[datetime]):
    """A day or a time; without an offset it is on the clock of each station."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        """The time as written, aware only if it carried an offset."""
        if isinstance(value, datetime):
            return value
        try:
            return datetime.fromisoformat(str(value))
        except ValueError:
            self.fail(f'"{value}" is not a time; write 2025-03-01 or 2025-03-01T06:00', param, ctx)


def stations_argument(command: Command) -> Command:
    """Names of stations; none means all."""
    return click.argument("stations", nargs=-1, metavar="[STATION]...")(command)


def registry_option(command: Command) -> Command:
    """Where the stations are described."""
    return click.option(
        "--registry",
        metavar="FILE",
        type=click.Path(path_type=Path),
        default=USUAL_REGISTRY,
        show_default=True,
        help="YAML file that describes the stations and their logs.",
    )(command)


def logs_option(command: Command) -> Command:
    """Where the logs are."""
    return click.option(
        "--logs",
        metavar="FOLDER",
        type=click.Path(path_type=Path),
        help="Folder of the logs, in place of the registry's log_root.",
    )(command)


def profiles_option(command: Command) -> Command:
    """Where profiles are kept."""
    return click.option(
        "--profiles",
        metavar="FOLDER",
        type=click.Path(path_type=Path),
        default=USUAL_PROFILES,
        show_default=True,
        help="Folder of the learned profiles.",
    )(command)


def span_options(what: str, otherwise: str) -> Callable[[Command], Command]:
    """``--from`` and ``--to``."""

    def add(command: Command) -> Command:
        command = click.option("--to", "to_at", type=When(), help=f"End of the span to {what}.")(command)
        return click.option(
            "--from",
            "from_at",
            type=When(),
            help=f"Start of the span to {what}: a day or a time, on the station's clock unless it has an "
            f"offset. {otherwise}",
        )(command)

    return add
