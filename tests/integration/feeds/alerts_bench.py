"""A service of two stations without readings, whose desk is told of alerts by hand."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from steadyhead.alerts.model import Verdict
from steadyhead.config import Registry, parse_registry
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import RoomSettings

REGISTRY = """
stations:
  elm: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: out, unit: kPa}}, sources: [{path: x.csv}]}
  oak: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: out, unit: kPa}}, sources: [{path: x.csv}]}
"""
RAISED_S = int(time.time()) // 60 * 60 - 3600


def verdict(station: str, condition: Any = "drift") -> Verdict:
    """An alert as the engine raises it."""
    return Verdict(
        station=station, condition=condition, confidence=0.8, runners_up=(),
        magnitude={"departure_kpa": 12.0},
        evidence=("The outlet stands 12 kPa high.",), began_s=RAISED_S - 600, raised_s=RAISED_S, ended_s=None,
        updated_s=RAISED_S, profile_version="p1", window_s=(RAISED_S - 600, RAISED_S),
        facts={"departure_kpa": 12.0}, traits={"direction": "up"},
    )  # fmt: skip


@pytest.fixture
def room(tmp_path: Path) -> Iterator[Callable[..., Room]]:
    """Starts services with these settings of ``alerts_out``, and ends them."""
    rooms: list[Room] = []

    def start(registry: Registry | None = None, **out: Any) -> Room:
        settings = RoomSettings.model_validate(
            {
                "data_folder": tmp_path / "data",
                "watch_folders": False,
                "profiles": tmp_path / "p",
                "alerts_out": out,
            }
        )
        rooms.append(open_room(settings, registry or parse_registry(REGISTRY)))
        rooms[-1].start()
        return rooms[-1]

    yield start
    for one in rooms:
        if one._lock_file is not None:
            one.stop()
