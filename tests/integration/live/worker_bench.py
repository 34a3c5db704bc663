"""Starts, drives and kills the worker; and what ``scan`` says of the same readings."""

from __future__ import annotations

import contextlib
import json
import random
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from steadyhead import service
from steadyhead.alerts.model import alert_id
from steadyhead.config import Registry, load_registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.views import AlertQuery
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.diagnosis.checks import MAGNITUDE_DIGITS
from steadyhead.diagnosis.weigh import Episodes
from steadyhead.engine import State, ready
from steadyhead.feeds.tabular import read_station
from steadyhead.live.standing import judged
from steadyhead.profile.learn import learn
from steadyhead.profile.model import Profile
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours, to_grid
from steadyhead.readings.series import Series, StationLog
from steadyhead.store.database import open_database
from steadyhead.store.profiles import save_profile

ROOT = Path(__file__).parents[3]
WORKER = Path(__file__).with_name("live_worker.py")
FROM_S = 1_761_264_000  # 2025-10-24 00:00 UTC: the sound days before are left to learning
HORIZON_S = 300


@dataclass
class Worker:
    """One process at a time; ``kill`` is SIGKILL.

    opened_s : of each start, seconds from opening the data folder to accepting readings
    """

    folder: Path
    registry: Path
    profiles: Path
    more: dict[str, Any] = field(default_factory=dict)
    process: subprocess.Popen[str] = field(init=False)
    opened_s: list[float] = field(default_factory=list)
    script: Path = WORKER

    def __post_init__(self) -> None:
        self.start()

    def start(self) -> None:
        words = [
            sys.executable,
            self.script,
            self.folder,
            self.registry,
            self.profiles,
            json.dumps(self.more),
        ]
        self.process = subprocess.Popen(
            list(map(str, words)), stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        try:
            self.opened_s.append(json.loads(self._line())["opened_s"])
        except ConnectionError:
            self._end()
            raise

    def ask(self, **command: Any) -> Any:
        """Answer to a command. Raises ConnectionError if the process dies meanwhile."""
        self.send(**command)
        return json.loads(self._line())

    def send(self, **command: Any) -> None:
        """Send a command without waiting for its answer."""
        assert self.process.stdin is not None
        try:
            self.process.stdin.write(json.dumps(command) + "\n")
            self.process.stdin.flush()
        except BrokenPipeError as exc:
            raise ConnectionError from exc

    def kill(self) -> None:
        """As a power cut would, but for the disk."""
        if self.process.returncode is None:
            self.process.send_signal(signal.SIGKILL)
            self._end()

    def quit(self) -> None:
        """Stop in order."""
        self.send(quit=True)
        assert self._end() == 0

    def _line(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            raise ConnectionError
        return line

    def _end(self) -> int:
        code = self.process.wait(60)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                with contextlib.suppress(BrokenPipeError):
                    pipe.close()
        return code


def chosen_registry(folder: Path, *names: str) -> tuple[Path, Registry]:
    """The sample registry with some stations only, as a file, and loaded."""
    data = yaml.safe_load((ROOT / "config" / "stations.yaml").read_text())
    data["stations"] = {name: data["stations"][name] for name in names}
    data["log_root"] = str(ROOT / "sample_logs")
    path = folder / "stations.yaml"
    path.write_text(yaml.safe_dump(data, sort_keys=False))
    return path, load_registry(path)


@dataclass(frozen=True)
class Known:
    """What is read, learned and scanned of some stations; readings from ``FROM_S`` on are pushed."""

    logs: dict[str, StationLog]
    readings: dict[str, Readings]
    profiles: dict[str, Profile]

    def alerts(self, registry: Registry) -> dict[str, tuple[Any, ...]]:
        """What ``scan`` says: by id, station, condition, beginning, raise and end."""
        found = {}
        for name, readings in self.readings.items():
            for v in service.scan_station(readings, self.profiles[name], registry.settings.units):
                key = alert_id(v.station, v.condition, v.raised_s)
                found[key] = (v.station, v.condition, v.began_s, v.raised_s, v.ended_s)
        return found

    def sizes(self, registry: Registry) -> dict[str, dict[str, float]]:
        """What one run without a stop says last of how large each is, by id; and what the raise said."""
        found = {}
        for name, readings in self.readings.items():
            state, episodes = State(), Episodes()
            units, profile = registry.settings.units, self.profiles[name]
            for _, v in judged(state, episodes, readings, ready(profile), units):
                found[alert_id(v.station, v.condition, v.raised_s)] = as_told(v.magnitude)
        return found

    def sizes_at_raise(self, registry: Registry) -> dict[str, dict[str, float]]:
        """The same as ``scan`` says it."""
        return {
            alert_id(v.station, v.condition, v.raised_s): as_told(v.magnitude)
            for name, readings in self.readings.items()
            for v in service.scan_station(readings, self.profiles[name], registry.settings.units)
        }


def differing_sizes(one: dict[str, dict[str, float]], other: dict[str, dict[str, float]]) -> list[str]:
    """Alerts whose sizes differ by more than a step of the last digit told, which falls either way at 0.5."""
    return [
        f"{name}: {one.get(name)} and {other.get(name)}"
        for name in sorted({*one, *other})
        if one.get(name, {}).keys() != other.get(name, {}).keys()
        or any(abs(value - other[name][part]) > 1e-3 * abs(value) for part, value in one[name].items())
    ]


def as_told(magnitude: dict[str, float]) -> dict[str, float]:
    """As an alert rounds it."""
    return {name: float(f"{value:.{MAGNITUDE_DIGITS}g}") for name, value in magnitude.items()}


def known(registry: Registry, profiles: Path) -> Known:
    """Learn the registry's spans, keep the profiles in a folder, and cut the logs."""
    logs, whole, learned = {}, [], {}
    for name, station in registry.stations.items():
        log = read_station(station, registry.log_root)
        readings = to_grid(log, station)
        from_s, to_s = station.learning_span_s()
        learned[name] = learn(
            readings.between(from_s or 0, to_s or readings.end_s), service.known(station, registry.settings)
        )
        save_profile(profiles, learned[name])
        logs[name] = StationLog(name, {r: later(s) for r, s in log.series.items()}, log.rejects)
        whole.append(to_grid(logs[name], station))
    readings_ = {r.station: r for r in add_neighbours(whole, registry.zones())}
    return Known(logs, readings_, learned)


def later(series: Series) -> Series:
    keep = series.times_s > FROM_S
    return Series(series.times_s[keep], series.values[keep], series.flags[keep])


def items(logs: Sequence[StationLog], seed: int, within_s: float) -> list[dict[str, Any]]:
    """Everything as JSON items, shuffled within a time; refused values with bad quality."""
    rng = random.Random(seed)
    found = []
    for log in logs:
        for role, s in log.series.items():
            unit = "L/s" if role == "flow" else "kPa"
            for at, value in zip(s.times_s.tolist(), s.values.tolist(), strict=True):
                one = {"station": log.station, "role": role, "time": at, "value": value, "unit": unit}
                found.append(one if value == value else one | {"value": 0, "quality": "bad"})
    return sorted(found, key=lambda one: one["time"] + rng.uniform(0, within_s))


def batches(everything: list[dict[str, Any]], seed: int, most: int) -> Iterator[list[dict[str, Any]]]:
    rng = random.Random(seed)
    first = 0
    while first < len(everything):
        size = rng.choice([1, 50, most // 4, most])
        yield everything[first : first + size]
        first += size


def recorded_sizes(url: str, registry: Registry) -> dict[str, dict[str, float]]:
    """How large each alert is by the desk's database."""
    database = open_database(url)
    try:
        desk = Desk(database, load_knowledge(), registry, lambda: 0.0)
        return {v.alert.alert_id: v.alert.magnitude for v in desk.alerts(AlertQuery(limit=500)).items}
    finally:
        database.close()


def recorded(url: str, registry: Registry) -> dict[str, tuple[Any, ...]]:
    """What the desk has in its database, as ``Known.alerts`` gives it."""
    database = open_database(url)
    try:
        desk = Desk(database, load_knowledge(), registry, lambda: 0.0)
        views = desk.alerts(AlertQuery(limit=500)).items
        return {
            v.alert.alert_id: (v.alert.station, v.alert.condition, v.began_s, v.raised_s, v.ended_s)
            for v in views
        }
    finally:
        database.close()
