"""The command line: parse, call, print. No arithmetic is done here.

Exit codes: 0 nothing to do; 1 ``scan`` found at least one alert of medium or high priority that goes on;
2 an input, an option or the disk is at fault, and one line per mistake on stderr says which; 130 stopped by
Ctrl-C.
"""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.metadata import version
from typing import Any

import click

from steadyhead.cli.interrupt import Interrupted, stoppable
from steadyhead.errors import SteadyheadError

COMMANDS = {
    "learn": "Learn what is normal for stations, from their logs.",
    "scan": "Name what is wrong at stations, since when, and what to check.",
    "report": "Write the weekly health report of a fleet.",
    "plant": "Make the log of a simulated station, with known faults.",
    "serve": "Run the live service: readings in, alerts and pages out.",
    "account": "Make and manage accounts of people and tokens of programs.",
    "notify": "Try a notification channel; see what has not arrived.",
    "feed": "Check a feed before it goes live: tags, units, clocks, quality.",
}
"""What there is, in the order of use, and the first sentence of its help: so that help loads none of them."""
BAD_INPUT = 2
INTERRUPTED = 130  # 128 + SIGINT, as shells have it


class _Commands(click.Group):
    """Commands that are imported when they are asked for: the libraries behind them take seconds to load."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """In the order in which they are used."""
        del ctx
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of that name, if there is one."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        found = getattr(import_module(f"steadyhead.cli.{cmd_name}"), cmd_name)
        return found if isinstance(found, click.Command) else None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """The table above."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; Ctrl-C raises ``Interrupted``."""
        with stoppable():
            return super().invoke(ctx)


@click.group(cls=_Commands, context_settings={"help_option_names": ["--help"], "max_content_width": 100})
@click.version_option(version("steadyhead"), "--version", message="steadyhead %(version)s")
def commands() -> None:
    """Watch pressure-reducing valve stations from their logs, and name what went wrong.

    First `learn` what is normal for each station, then `scan` its logs. `plant` makes logs with known
    faults, to try things on. Steadyhead only reads logs; it never writes to a controller.
    """


def main(arguments: list[str] | None = None) -> None:
    """Run a command and exit with its code."""
    try:
        code = commands.main(args=arguments, prog_name="steadyhead", standalone_mode=False)
    except click.UsageError as exc:
        command = exc.ctx.command_path if exc.ctx is not None else "steadyhead"
        _complain(f"{exc.format_message().rstrip('.')}; see {command} --help")
        code = BAD_INPUT
    except (Interrupted, click.Abort, KeyboardInterrupt):
        if sys.stderr.isatty():
            click.echo(err=True)  # the terminal has just shown ^C
        _complain("stopped; every file is whole, as it was or new")
        code = INTERRUPTED
    except SteadyheadError as exc:
        _complain(str(exc))
        code = BAD_INPUT
    except BrokenPipeError:  # the reader of our output, such as head, has gone
        sys.stderr.close()
        code = 0
    except OSError as exc:  # met below us, such as a full disk where compiled code is kept
        _complain(f"{exc.filename or 'a file'}: {exc.strerror or exc}; free some space or mend its rights")
        code = BAD_INPUT
    sys.exit(code if isinstance(code, int) else 0)


def _complain(text: str) -> None:
    """One line per mistake; a message of several lines lists several mistakes."""
    for line in text.splitlines():
        click.echo(f"steadyhead: {line}", err=True)
