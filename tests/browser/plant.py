"""A utility to look at: the sample logs of the proving plant in a real room, served by a real server.

Some stations' alerts are there from the start, found by the same engine in the same logs; Gorge Road sends
its readings over HTTP while the tests run. A thousand stations without readings stand beside them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import numpy as np
import uvicorn

from steadyhead import service
from steadyhead.access.settings import AccessSettings
from steadyhead.alerts.model import Verdict, alert_id
from steadyhead.api.app import make_app
from steadyhead.config import Registry, load_registry
from steadyhead.feeds.load import load_readings
from steadyhead.live.clock import Clock
from steadyhead.live.room import Room, open_room
from steadyhead.live.settings import RoomSettings
from steadyhead.profile.learn import learn
from steadyhead.readings.frame import Readings
from steadyhead.store.profiles import load_profile, save_profile
from steadyhead.units import from_working
from steadyhead.weekly.settings import ReportSettings

ROOT = Path(__file__).parents[2]
SHOWN = ("quarry_hill", "cannery_road", "harbour_west", "harbour_east", "larch_street", "chapel_green")
PUSHED = "gorge_road"
# These send their last two hours when the server is up, so that the list of stations shows what they do. The
# others may not: an engine that begins in the middle of a fault has not seen it come, and names it otherwise.
HEALTHY = ("larch_street", "chapel_green")
N_SILENT = 1000
NOW_S = 1_762_128_900  # 2025-11-03 00:15 UTC, a quarter of an hour after the sample logs end
PUSH_FROM_S = 1_761_235_200  # 2025-10-23 16:00 UTC, four days before its first night of creep
PEOPLE = {"vera": "viewer", "olga": "operator", "egon": "engineer", "ada": "administrator"}
START_S = 30.0
# One address signs in for every test, far more often than people do.
UNHURRIED = AccessSettings(
    logins_per_minute=10_000, requests_per_minute=100_000, address_requests_per_minute=100_000
)


def password(name: str) -> str:
    """The password of one of PEOPLE."""
    return f"nine green bottles for {name}"


@dataclass(slots=True)
class Served:
    """What the tests are given: the room, where it is served, and the readings still to be sent.

    alerts : alert id of the first alert of each station that has one from the start
    """

    room: Room
    url: str
    token: str
    logs: dict[str, Readings]
    alerts: dict[str, str]

    def push(self, from_s: int, to_s: int, station: str = PUSHED) -> dict[str, object]:
        """Send readings of a station in [from_s, to_s) over HTTP, as its logger would."""
        part = self.logs[station].between(from_s, to_s)
        tags = self.room.registry.stations[station].tags
        values = [
            {
                name: round(float(from_working(row[name], tags[name].unit)), 4)
                for name in row
                if np.isfinite(row[name])
            }
            for row in (
                {"inlet": inlet, "outlet": outlet, "flow": flow}
                for inlet, outlet, flow in zip(part.inlet_kpa, part.outlet_kpa, part.flow_lps, strict=True)
            )
        ]
        items = [
            {"station": station, "time": int(at_s), "values": found}
            for at_s, found in zip(part.times_s, values, strict=True)
            if found
        ]
        answer = self.send(items)
        assert answer.status_code in (200, 202), answer.text
        said: dict[str, object] = answer.json()
        assert not said["refused"], said
        return said

    def send(self, items: list[dict[str, object]]) -> httpx.Response:
        """Send a batch as it is."""
        return httpx.post(
            f"{self.url}/api/v1/readings",
            json=items,
            headers={"Authorization": f"Bearer {self.token}"},
            timeout=30,
        )

    def wait_judged(self, through_s: int, limit_s: float = 30.0) -> None:
        """Until the runner has judged PUSHED up to that data time."""
        end = time.monotonic() + limit_s
        while time.monotonic() < end:
            if (self.room.runner.stations([PUSHED])[PUSHED].last_s or 0) >= through_s:
                return
            time.sleep(0.05)
        raise AssertionError(f"readings up to {through_s} were not judged within {limit_s} s")


def registry() -> Registry:
    """The sample utility's registry, with N_SILENT stations more that never send anything."""
    described = load_registry(ROOT / "config" / "stations.yaml")
    pattern = described.stations["chapel_green"]
    silent = {
        name: pattern.model_copy(update={"name": name, "zone": f"reach {n // 40 + 1:02d}"})
        for n, name in enumerate(f"reach_{n:04d}" for n in range(N_SILENT))
    }
    kept = {name: described.stations[name] for name in (*SHOWN, PUSHED)}
    return described.model_copy(update={"stations": {**kept, **silent}})


@contextmanager
def served(folder: Path) -> Iterator[Served]:
    """The room with everything in it, behind uvicorn on a free port; stopped at the end."""
    described = registry()
    logs = load_readings(described, None, (*SHOWN, PUSHED))[0]
    began = time.time()
    settings = RoomSettings(
        data_folder=folder / "data",
        profiles=folder / "profiles",
        watch_folders=False,
        port=0,
        access=UNHURRIED,
        report=ReportSettings(folder=folder / "reports", has_pdf=False),
    )
    room = open_room(settings, described, clock=Clock(wall=lambda: NOW_S + time.time() - began))
    for name in (*SHOWN, PUSHED):
        station = described.stations[name]
        from_s, to_s = station.learning_span_s()
        span = logs[name].between(from_s or logs[name].start_s, to_s or logs[name].end_s)
        save_profile(settings.profiles, learn(span, service.known(station, described.settings)))
    for name, role in PEOPLE.items():
        room.accounts.create(name, role, password(name))
    token = room.accounts.make_token("logger", "write_readings", "ada").secret
    for name in SHOWN:
        room.archive.append(logs[name])
    room.archive.append(logs[PUSHED].between(logs[PUSHED].start_s, PUSH_FROM_S))
    alerts = raise_all(room, logs, settings.profiles)
    server = uvicorn.Server(uvicorn.Config(make_app(room), port=0, log_level="error", ws="none"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    end = time.monotonic() + START_S
    while not server.started and time.monotonic() < end:
        time.sleep(0.02)
    assert server.started, f"the server did not start within {START_S} s"
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        found = Served(room, f"http://127.0.0.1:{port}", token, logs, alerts)
        for name in HEALTHY:
            found.push(logs[name].end_s - 7200, logs[name].end_s, name)
        yield found
    finally:
        server.should_exit = True
        thread.join(20)


def raise_all(room: Room, logs: dict[str, Readings], profiles: Path) -> dict[str, str]:
    """What the engine finds in the logs of SHOWN, handed to the desk in order of time."""
    found: list[Verdict] = []
    for name in SHOWN:
        profile = load_profile(profiles, name, logs[name].step_s)
        found += service.scan_station(logs[name], profile, room.registry.settings.units)
    alerts: dict[str, str] = {}
    for verdict in sorted(found, key=lambda v: v.raised_s):
        room.desk.raised(replace(verdict, ended_s=None))
        name = alert_id(verdict.station, verdict.condition, verdict.raised_s)
        if verdict.ended_s is not None:
            room.desk.cleared(name, verdict.updated_s, verdict)
        else:
            alerts.setdefault(verdict.station, name)
    return alerts
