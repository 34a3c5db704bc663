"""A room as ``steadyhead serve`` opens it, in a folder of its own."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from steadyhead.config import parse_registry
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import RoomSettings

WORDS = "copper kettle on the hob"
REGISTRY = """
utility: Marrow Vale Water
defaults:
  time_zone: UTC
  step_s: 60
  sources: [{path: "{station}.csv"}]
stations:
  elm_street:
    zone: low_town
    tags:
      inlet: {tag: PT1, unit: kPa}
      outlet: {tag: PT2, unit: kPa}
      flow: {tag: FT1, unit: L/s}
  mill_weir:
    zone: low_town
    tags: {outlet: {tag: PT2, unit: bar}}
"""


def opened(folder: Path, **settings: Any) -> Room:
    settings.setdefault("watch_folders", False)
    made = RoomSettings(data_folder=folder / "data", profiles=folder / "profiles", **settings)
    return open_room(made, parse_registry(REGISTRY))


@contextlib.contextmanager
def served(app: Any) -> Iterator[str]:
    """The application on a real uvicorn, on a free port; its address."""
    config = uvicorn.Config(
        app, host="127.0.0.1", port=0, log_level="warning", server_header=False, timeout_graceful_shutdown=2
    )
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    ends = time.monotonic() + 30
    while not server.started:
        assert thread.is_alive(), "the server did not start"
        assert time.monotonic() < ends, "the server took too long to start"
        time.sleep(0.02)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(20)
        assert not thread.is_alive(), "the server did not stop"


@contextlib.contextmanager
def signed_in(base: str, name: str = "adam") -> Iterator[httpx.Client]:
    """A browser that has signed in, with its CSRF token set."""
    with httpx.Client(base_url=base, timeout=20) as client:
        page = client.get("/login")
        field = page.text.split('name="csrf" value="', 1)[1].split('"', 1)[0]
        answer = client.post("/login", data={"name": name, "password": WORDS, "csrf": field})
        assert answer.status_code == 303, answer.text
        client.headers["X-CSRF-Token"] = client.get("/api/v1/me").json()["csrf_token"]
        yield client
