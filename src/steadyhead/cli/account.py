"""``steadyhead account``: people and programs that may use the service."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text
from sqlalchemy.engine import make_url

from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import ROLES, SCOPES, Role, Scope
from steadyhead.access.factor_key import FactorKey
from steadyhead.access.firsts import FirstPassword
from steadyhead.errors import AccessError
from steadyhead.live.settings import load_settings
from steadyhead.store.database import open_database

USUAL_SETTINGS = Path("config/service.yaml")

settings_option = click.option(
    "--settings",
    "path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help=f"YAML file with the settings of the service; {USUAL_SETTINGS} if it is there and none is named.",
)
name_argument = click.argument("name")


@click.group(short_help="Make and manage accounts of people and tokens of programs.")
def account() -> None:
    """People sign in with an account; programs send a token.

    A role may do all that the ones before it may: viewer, operator, engineer, administrator. Works on the
    database of the service directly, whether that runs or not.
    """


own_option = click.option(
    "--own",
    is_flag=True,
    help="The person it is for types the password now, or it comes as one line from a pipe; it stays.",
)


@account.command(short_help="Make an account.")
@name_argument
@click.option("--role", type=click.Choice(ROLES), required=True, help="What the person may do.")
@own_option
@settings_option
def add(name: str, role: str, own: bool, path: Path | None) -> None:
    """Make an account NAME and print a first password to hand over, this once.

    Only the password itself goes to stdout. It ends after some days, and whoever signs in with it has to
    choose an own one before anything else.
    """
    with _accounts(path) as accounts:
        if own:
            accounts.create(name, cast("Role", role), _new_password())
            click.echo(f"{name} can sign in as {role}")
            return
        first = accounts.create_with_first(name, cast("Role", role))
    _show(first, f"{name} can sign in as {role}")


@account.command(name="list", short_help="List accounts.")
@settings_option
def list_command(path: Path | None) -> None:
    """List all accounts with their roles, and which are disabled or wait after failed sign-ins."""
    with _accounts(path) as accounts:
        found = accounts.accounts()
        now_s = time.time()
    if not found:
        click.echo("there is no account yet; make one with: steadyhead account add NAME --role administrator")
        return
    rows = []
    for view in found:
        state = "disabled" if view.is_disabled else "in use"
        if not view.is_disabled and view.first_until_s is not None:
            over = " is over" if view.first_until_s <= now_s else f" until {_time(view.first_until_s)}"
            state = f"first password{over}"
        if view.locked_until_s is not None and view.locked_until_s > now_s:
            state = f"waits until {_time(view.locked_until_s)} after {view.failed} failed sign-ins"
        factor = "yes" if view.has_factor else "no"
        rows.append((view.name, view.role, _time(view.created_s), factor, state))
    _print(("Name", "Role", "Made", "Second factor", "State"), rows)


@account.command(short_help="Close an account.")
@name_argument
@settings_option
def disable(name: str, path: Path | None) -> None:
    """Close the account NAME and end its sessions. Its name stays in the audit trail."""
    with _accounts(path) as accounts:
        accounts.disable(name)
    click.echo(f"{name} cannot sign in any more")


@account.command(short_help="Open a disabled account again.")
@name_argument
@settings_option
def enable(name: str, path: Path | None) -> None:
    """Open the account NAME again, and end its wait after failed sign-ins."""
    with _accounts(path) as accounts:
        accounts.enable(name)
    click.echo(f"{name} can sign in again")


@account.command(short_help="Give an account another role.")
@name_argument
@click.option("--role", type=click.Choice(ROLES), required=True, help="What the person may do from now on.")
@settings_option
def role(name: str, role: str, path: Path | None) -> None:
    """Give the account NAME another role and end its sessions."""
    with _accounts(path) as accounts:
        accounts.set_role(name, cast("Role", role))
    click.echo(f"{name} is {role} now; open sessions were ended")


@account.command(short_help="Set a new password.")
@name_argument
@own_option
@settings_option
def password(name: str, own: bool, path: Path | None) -> None:
    """Set a first password for NAME, print it to be handed over, this once, and end the sessions of NAME.

    Only the password itself goes to stdout. It ends after some days, and whoever signs in with it has to
    choose an own one before anything else.
    """
    with _accounts(path) as accounts:
        accounts.account(name)  # before anybody types a password for nothing
        if own:
            accounts.set_password(name, _new_password())
            click.echo(f"{name} has a new password; open sessions were ended")
            return
        first = accounts.set_first_password(name)
    _show(first, f"{name} has a first password; open sessions were ended")


@account.command(name="drop-factor", short_help="Take the second factor off an account.")
@name_argument
@settings_option
def drop_factor(name: str, path: Path | None) -> None:
    """Take the second factor off the account NAME, such as when the device is lost, and end its sessions."""
    with _accounts(path) as accounts:
        accounts.drop_factor(name)
    click.echo(f"{name} can sign in without a code; open sessions were ended")


@account.command(short_help="Make a token for a program.")
@name_argument
@click.option(
    "--scope", type=click.Choice(SCOPES), required=True, help="Whether it may read, or write readings."
)
@click.option(
    "--days", type=float, default=365.0, show_default=True, help="How long the token is good; 0 for no end."
)
@settings_option
def token(name: str, scope: str, days: float, path: Path | None) -> None:
    """Make a token for the program NAME and print it, this once.

    Only the token itself goes to stdout, so that it can be piped into the place where it is kept.
    """
    with _accounts(path) as accounts:
        made = accounts.make_token(name, cast("Scope", scope), "command line", days or None)
    ends = "it has no end" if made.view.expires_s is None else f"good until {_time(made.view.expires_s)}"
    click.echo(
        f"token {made.view.token_id} of {name}, scope {scope}, {ends}; it is not shown again:", err=True
    )
    click.echo(made.secret)


@account.command(short_help="List tokens.")
@settings_option
def tokens(path: Path | None) -> None:
    """List all tokens, without their secrets."""
    with _accounts(path) as accounts:
        found = accounts.list_tokens()
    if not found:
        click.echo("there is no token; make one with: steadyhead account token NAME --scope write_readings")
        return
    rows = [
        (
            str(view.token_id),
            view.name,
            view.scope,
            view.made_by,
            "revoked" if view.revoked_s is not None else _ends(view.expires_s),
            "never" if view.used_s is None else _time(view.used_s),
        )
        for view in found
    ]
    _print(("No.", "Name", "Scope", "Made by", "Ends", "Last used"), rows)


@account.command(short_help="Revoke a token.")
@click.argument("number", type=click.IntRange(min=1))
@settings_option
def revoke(number: int, path: Path | None) -> None:
    """End the token NUMBER of the list, from now on."""
    with _accounts(path) as accounts:
        view = accounts.tokens.revoke(number, "command line")
    click.echo(f"token {number} of {view.name} is not taken any more")


@contextmanager
def _accounts(path: Path | None) -> Iterator[Accounts]:
    if path is None and USUAL_SETTINGS.exists():
        path = USUAL_SETTINGS
    settings = load_settings(path)
    if make_url(settings.database).get_backend_name() == "sqlite" and settings.database_url is None:
        settings.data_folder.mkdir(parents=True, exist_ok=True)
    database = open_database(settings.database)
    try:
        yield Accounts(database, time.time, settings.access, FactorKey(settings.factor_key_file))
    finally:
        database.close()


def _new_password() -> str:
    """Asked for twice where a person types, one line where a program writes."""
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt="The same again"))
    line = sys.stdin.readline().rstrip("\r\n")
    if not line:
        raise AccessError("no password was given; type it when asked, or write it as one line to stdin")
    return line


def _show(first: FirstPassword, told: str) -> None:
    """The password alone on stdout, so that it can be piped into whatever hands it over."""
    click.echo(f"{told}; first password, good until {_time(first.until_s)} and not shown again:", err=True)
    click.echo(first.password)


def _ends(expires_s: int | None) -> str:
    return "never" if expires_s is None else _time(expires_s)


def _time(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _print(head: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    table = Table(box=None, pad_edge=False)
    for name in head:
        table.add_column(name, overflow="fold")
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)
