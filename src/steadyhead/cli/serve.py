"""``steadyhead serve``: the live service, with its pages and its API."""

from __future__ import annotations

import logging
import signal
from pathlib import Path

import click
import uvicorn

from steadyhead.api.app import make_app
from steadyhead.cli.options import registry_option
from steadyhead.config import load_registry
from steadyhead.errors import OutputError
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import LOOPBACK, load_settings

USUAL_SETTINGS = Path("config/service.yaml")
LEAVE_S = 5  # open requests and event streams have so long to end


@click.command(short_help="Run the live service: readings in, alerts and pages out.")
@registry_option
@click.option(
    "--settings",
    "path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help=f"YAML file with the settings of the service; {USUAL_SETTINGS} if it is there and none is named.",
)
def serve(registry: Path, path: Path | None) -> None:
    """Watch the stations of the registry live until stopped with Ctrl-C or SIGTERM.

    Readings come in by HTTP push and from the registry's log files as they grow. Nothing but this machine can
    reach the service unless the settings say otherwise. A kill at any moment loses no accepted reading; the
    next start takes up where it ended.
    """
    logging.basicConfig(level=logging.WARNING, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    if path is None and USUAL_SETTINGS.exists():
        path = USUAL_SETTINGS
    settings = load_settings(path)
    room = open_room(settings, load_registry(registry))
    for line in greeting(room, path):
        click.echo(line)
    server = uvicorn.Server(
        uvicorn.Config(
            make_app(room),
            host=settings.host,
            port=settings.port,
            log_level="warning",
            access_log=False,  # addresses of pages may hold what is nobody else's business
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=LEAVE_S,
        )
    )
    # the server ends in order at either signal, and raises it anew afterwards
    signal.signal(signal.SIGTERM, lambda *_: None)
    signal.signal(signal.SIGINT, lambda *_: None)
    try:
        server.run()
    except SystemExit as exc:  # it has said on stderr why it cannot begin
        raise OutputError(
            f"{settings.host}:{settings.port}: cannot be served; if another program uses the port, set "
            "another port in the settings"
        ) from exc
    click.echo("stopped; what was accepted is safe")


def greeting(room: Room, path: Path | None) -> list[str]:
    """What a person needs to know at the start, and how to make the first account if there is none."""
    settings = room.settings
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    lines = [
        f"Steadyhead watches {len(room.registry.stations)} stations of {room.registry.utility}.",
        f"Pages: http://{host}:{settings.port}/   data folder: {room.folder.absolute()}",
    ]
    if settings.host not in LOOPBACK:
        lines.append(
            "Other machines can reach it, and without TLS what they send can be read on the way: put a proxy "
            "in front that does TLS."
        )
    if room.accounts.is_empty():
        given = f" --settings {path}" if path is not None and path != USUAL_SETTINGS else ""
        lines.append("There is no account yet, so nobody can sign in. Make the first one, in another shell:")
        lines.append(f"  steadyhead account add YOUR_NAME --role administrator{given}")
    return lines
