"""``steadyhead notify``: try a channel, and see who is told of what and what has not arrived."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text
from sqlalchemy.engine import make_url

from steadyhead.live.settings import RoomSettings, load_settings
from steadyhead.notify.channel_settings import AnyChannel, Email, Service, WebHook
from steadyhead.notify.send_test import send_test
from steadyhead.notify.settings import NotifySettings, Rule
from steadyhead.notify.state import ChannelState, Undelivered, channel_states, undelivered
from steadyhead.store.database import Database, open_database

USUAL_SETTINGS = Path("config/service.yaml")
_SHOWN = 20  # messages that were given up; the pages show all

settings_option = click.option(
    "--settings",
    "path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help=f"YAML file with the settings of the service; {USUAL_SETTINGS} if it is there and none is named.",
)


@click.group(short_help="Try a notification channel; see what has not arrived.")
def notify() -> None:
    """Who is told of alerts, by which channel.

    Channels, people and rules stand in the settings of the service, under notify:.
    """


@notify.command(name="test", short_help="Send a test message.")
@click.argument("channel")
@settings_option
def test_command(channel: str, path: Path | None) -> None:
    """Send a test message by CHANNEL now, and wait for the receiver to take it.

    It says that no station has an alert. Rules and quiet hours do not count, and nothing is tried again.
    """
    send_test(_settings(path).notify, channel)
    click.echo(f"{channel}: the receiver has taken the test message; see whether it reaches a person")


@notify.command(name="list", short_help="List channels, rules and what has not arrived.")
@settings_option
def list_command(path: Path | None) -> None:
    """List channels with their messages, rules in words, and messages that were given up."""
    settings = _settings(path)
    out = Console()
    if not settings.notify.channels:
        out.print("There is no channel; add one under notify: in the settings, see docs/notifications.md.")
    with _open(settings) as database:
        states: list[ChannelState] = []
        lost: list[Undelivered] = []
        if database is not None:
            with database.reading() as session:
                states = channel_states(session, int(time.time()), tuple(settings.notify.channels))
                lost = undelivered(session, _SHOWN)
        _show_channels(out, settings.notify, {state.channel: state for state in states})
        _show_rules(out, settings.notify)
        if database is None:
            out.print("The service has not run yet, so there are no messages.")
        _show_lost(out, lost)


def _settings(path: Path | None) -> RoomSettings:
    return load_settings(USUAL_SETTINGS if path is None and USUAL_SETTINGS.exists() else path)


@contextmanager
def _open(settings: RoomSettings) -> Iterator[Database | None]:
    """The database; None if it is a file that is not there yet, which looking must not make."""
    url = make_url(settings.database)
    if url.get_backend_name() == "sqlite" and not Path(url.database or "").exists():
        yield None
        return
    database = open_database(settings.database)
    try:
        yield database
    finally:
        database.close()


def _show_channels(out: Console, settings: NotifySettings, states: dict[str, ChannelState]) -> None:
    table = Table(box=None, padding=(0, 2, 0, 0), title="Channels", title_justify="left")
    for heading in ("Channel", "Goes to", "Sent in 24 h", "Waiting", "Failing", "Given up", "Latest failure"):
        table.add_column(heading, overflow="fold")
    for name in sorted({*settings.channels, *states}):
        state = states.get(name, ChannelState(name))
        numbers = (state.sent, state.waiting, state.failing, state.gave_up)
        row = [name, _goes_to(settings.channels.get(name)), *map(str, numbers), state.last_error or ""]
        table.add_row(*(Text(text) for text in row))
    if table.row_count:
        out.print(table)


def _goes_to(channel: AnyChannel | None) -> str:
    """Where it leads, without what may be secret."""
    if isinstance(channel, WebHook):
        return f"web hook {(channel.url or '(address kept elsewhere)').partition('?')[0]}"
    if isinstance(channel, Email):
        return f"e-mail to {', '.join(channel.to)}"
    if isinstance(channel, Service):
        return "service (address kept elsewhere)"
    return "is not in the settings any more"


def _show_rules(out: Console, settings: NotifySettings) -> None:
    for n, rule in enumerate(settings.rules):
        if n == 0:
            out.print(Text("\nRules"))
        out.print(Text(f"  {rule_in_words(rule)}"))
    if settings.channels and not settings.rules:
        out.print("There is no rule, so nobody is told of anything; add one under notify: rules:.")


def rule_in_words(rule: Rule) -> str:
    """One rule in one sentence."""
    who = [*rule.people, *(f"everybody who is {role}" for role in rule.roles), *rule.channels]
    words = [f"{', '.join(who)}: {', '.join(change.replace('_', ' ') for change in rule.changes)}"]
    if rule.after_min is not None:
        words.append(f"after {rule.after_min:g} min")
    if rule.at_least != "low":
        words.append(f"of {rule.at_least} priority or more")
    for what, named in (("of", rule.conditions), ("in zone", rule.zones), ("at", rule.stations)):
        if named:
            words.append(f"{what} {' or '.join(named)}")
    if rule.hours is not None:
        hours = rule.hours
        words.append(f"on {', '.join(hours.days)} from {hours.from_time} to {hours.to_time}")
    return " ".join(words)


def _show_lost(out: Console, lost: list[Undelivered]) -> None:
    if lost:
        out.print(Text(f"\nGiven up (the latest {_SHOWN} at most)"))
    for message in lost:
        at = datetime.fromtimestamp(message.gave_up_s, tz=UTC).strftime("%Y-%m-%d %H:%M UTC")
        what = f"{message.channel}: {message.station} {message.change.replace('_', ' ')}"
        out.print(Text(f"  {at} {what}, {message.tries} tries: {message.why}"))
