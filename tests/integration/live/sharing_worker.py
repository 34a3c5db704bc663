"""A service that shares its fleet, without its pages, driven line by line over a pipe; as ``live_worker``.

Beside settings it may be told ``ahead_s``, by how much its clock is ahead of the machine's.
"""

from __future__ import annotations

import json
import sys
import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from steadyhead.config import load_registry
from steadyhead.errors import SteadyheadError
from steadyhead.feeds.settings import MqttSettings
from steadyhead.live.clock import Clock
from steadyhead.live.intake import MARK_S
from steadyhead.live.room import open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.live.sharing.room import SharedRoom
from steadyhead.live.sharing.share import Share
from steadyhead.live.sharing.tasks import REPORT

moved_s = 0.0


def answer(room: SharedRoom, command: dict[str, Any]) -> Any:
    global moved_s
    if "push" in command:
        found = room.intake.push_json(json.dumps(command["push"]).encode(), "test")
        return {"accepted": found.accepted, "late": found.late, "refused": len(found.refused)}
    if "move" in command:  # the clock, as if so much time had passed
        moved_s += command["move"]
        return {}
    if "drain" in command:
        return {"shares": drained(room)}
    if "held" in command:
        things = room.runner._keeper.things()
        running = [
            name for name, thing in things.items()
            if not hasattr(thing, "runner") or thing.runner.status().state == "running"
        ]  # fmt: skip
        return {"names": sorted(things), "running": sorted(running)}
    if "reporting" in command:  # whether it has the task of the weekly report, and is at work on one
        task = room.runner._keeper.thing(REPORT)
        reporter = None if task is None else task.works[0]._reporter
        if reporter is not None and command["reporting"] == "look":  # whether one is due, before its time
            with reporter._lock:
                reporter._lock.notify_all()
        return {
            "has_task": reporter is not None,
            "is_at_work": reporter is not None and reporter._process is not None,
        }
    if "stations" in command:
        return {name: asdict(view) for name, view in room.runner.stations(command["stations"]).items()}
    if "series" in command:
        found = room.archive.read(*command["series"])
        return {"outlet_kpa": [v if v == v else None for v in found.outlet_kpa.tolist()]}
    if "learn" in command:
        return {"version": room.runner.learn(command["learn"], *command.get("span", ())).profile.version}
    if "acknowledge" in command:
        return {"state": room.desk.acknowledge(command["acknowledge"], "a tester").alert.state}
    return asdict(room.runner.status())


def drained(room: SharedRoom) -> int:
    """Wait until all is judged that has come for the shares of this process, up to now; how many it has."""
    while True:
        shares = room.rounds._holdings.shares()
        waiting = room.intake._inbox.shares_with_readings(shares)
        if not waiting and all(is_up_to_now(share) for share in shares.values()):
            return len(shares)
        time.sleep(0.02)


def is_up_to_now(share: Share) -> bool:
    """Whether its journal knows how late it is, and all of that is judged."""
    behind_s = share.runner._parts.clock.now().listened_s - share.journal.listened_s
    return behind_s < MARK_S + 2 and share.loop.done_no >= share.journal.last_no


def say(what: Any) -> None:
    sys.stdout.write(json.dumps(what) + "\n")
    sys.stdout.flush()


def main(folder: str, registry: str, profiles: str, more: str) -> None:
    given = json.loads(more)
    ahead_s = given.pop("ahead_s", 0.0)
    given["feeds"] = {k: MqttSettings.model_validate(v) for k, v in given.get("feeds", {}).items()}
    settings = RoomSettings(
        **{"data_folder": Path(folder), "profiles": Path(profiles), "watch_folders": False, **given}
    )
    began = time.monotonic()
    clock = Clock(lambda: time.time() + ahead_s + moved_s, lambda: time.monotonic() + moved_s)
    room = open_room(settings, load_registry(registry), clock=clock)
    assert isinstance(room, SharedRoom)
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
