"""A service without its pages, driven line by line over a pipe, to be killed at any moment.

Each line on stdin is a JSON command, each answer a JSON line on stdout. The clock of the room can be moved on
by the command ``rest``, so that a test need not wait for the horizon.
"""

from __future__ import annotations

import json
import resource
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from steadyhead.config import load_registry
from steadyhead.errors import SteadyheadError
from steadyhead.live import checkpoint, saver
from steadyhead.live.clock import Clock
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import RoomSettings

moved_s = 0.0


def answer(room: Room, command: dict[str, Any]) -> Any:
    global moved_s
    if "push" in command:
        found = room.intake.push_json(json.dumps(command["push"]).encode(), "test")
        return {"accepted": found.accepted, "late": found.late, "refused": len(found.refused)}
    if "rest" in command:
        for _ in range(3):
            moved_s += command["rest"]
            room.intake.mark()
            wait_until_done(room)
        return {}
    if "limit" in command:  # no file may grow larger: what a full disk does to a writer
        size = command["limit"] if command["limit"] is not None else resource.RLIM_INFINITY
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))
        return {}
    if "drain" in command:
        wait_until_done(room)
        return {}
    if "learn" in command:
        learned = room.runner.learn(command["learn"], *command.get("span", ()))
        return {"version": learned.profile.version, "replaced": learned.replaced is not None}
    if "station" in command:
        return asdict(room.runner.stations([command["station"]])[command["station"]])
    return asdict(room.runner.status())


def say(what: Any) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


def wait_until_done(room: Room) -> None:
    while room.runner.status().done_no < room.journal.last_no:
        time.sleep(0.01)


def main(folder: str, registry: str, profiles: str, more: str) -> None:
    settings = RoomSettings(
        data_folder=Path(folder), profiles=Path(profiles), watch_folders=False, **json.loads(more)
    )
    saver.PART, checkpoint.AT_A_TIME, saver.PAUSE_S = 3, 2, 0.02  # a few stations are saved as thousands are
    began = time.monotonic()
    clock = Clock(lambda: time.time() + moved_s, lambda: time.monotonic() + moved_s)
    room = open_room(settings, load_registry(registry), clock=clock)
    room.start()
    while room.runner.status().state == "starting":
        time.sleep(0.01)
    say({"opened_s": time.monotonic() - began})
    for line in sys.stdin:
        command = json.loads(line)
        if "quit" in command:
            break
        try:
            say(answer(room, command))
        except SteadyheadError as exc:
            say({"error": str(exc), "kind": type(exc).__name__})
    room.stop()


if __name__ == "__main__":
    main(*sys.argv[1:])
