"""What the plant sends in one round: each station by one way, cut into small sendings in order of time.

Stations and readings are those of the sample logs, which the proving plant made; they hold alerts of seven
kinds. A round draws which station comes by which way, how readings are shuffled within the horizon, and
what is sent twice.
"""

from __future__ import annotations

import json
import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from steadyhead.readings.series import Series, StationLog

STATIONS = ("gorge_road", "cannery_road", "ferry_landing", "saltbush_flat", "harbour_east", "harbour_west")
HORIZON_S = 900
SHUFFLE_S = HORIZON_S - 121
"""Readings are late by up to so long; the rest of the horizon is for rounding to rows and for the sending."""
AT_ONCE = {"http": 1500, "mqtt": 600, "folder": 400}
"""Readings in one sending, at most; one of MQTT must fit into what the feed remembers as handed over."""
ROLE_UNITS = {"inlet": "kPa", "outlet": "kPa", "flow": "L/s", "command": "kPa"}


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading; value None stands for one that the instrument itself calls bad."""

    station: str
    role: str
    at_s: int
    value: float | None


@dataclass(frozen=True, slots=True)
class Sending:
    """Readings sent together; ``newest_s`` of them orders the sendings of all ways."""

    readings: Sequence[Reading]
    newest_s: int
    is_twice: bool


Way = str
"""http, mqtt or folder."""


def ways(rng: random.Random) -> dict[str, Way]:
    """Which station comes by which way; every way has one, and MQTT no two of the large ones."""
    while True:
        drawn = {name: rng.choice(("http", "http", "mqtt", "folder")) for name in STATIONS}
        large = [drawn[name] for name in ("harbour_east", "harbour_west")]
        if set(drawn.values()) == set(AT_ONCE) and large.count("mqtt") <= 1:
            return drawn


def readings_of(logs: dict[str, StationLog], names: Sequence[str]) -> list[Reading]:
    """All readings of some stations, in order of time."""
    found = [
        Reading(name, role, at_s, value if value == value else None)
        for name in names
        for role, series in logs[name].series.items()
        for at_s, value in zip(series.times_s.tolist(), series.values.tolist(), strict=True)
    ]
    return sorted(found, key=lambda one: (one.at_s, one.station, one.role))


def until_day(log: StationLog, end_s: float) -> StationLog:
    """The readings before a time."""
    series = {}
    for role, one in log.series.items():
        keep = one.times_s < end_s
        series[role] = Series(one.times_s[keep], one.values[keep], one.flags[keep])
    return StationLog(log.station, series, log.rejects)


def shuffled(readings: list[Reading], rng: random.Random) -> list[Reading]:
    """The same, each late by a random time below the horizon, and one in forty once more."""
    late = [(one.at_s + rng.uniform(0, SHUFFLE_S), one) for one in readings]
    late += [
        (at + rng.uniform(0, SHUFFLE_S - (at - one.at_s)), one) for at, one in late if rng.random() < 0.025
    ]
    return [one for _, one in sorted(late, key=lambda pair: pair[0])]


def sendings(readings: list[Reading], way: Way, rng: random.Random, *, is_calm: bool) -> list[Sending]:
    """Cut into sendings of random size."""
    found, first = [], 0
    most = AT_ONCE[way]
    while first < len(readings):
        size = most if is_calm else rng.choice((1, 20, most // 4, most, most))
        part = readings[first : first + size]
        first += size
        is_twice = not is_calm and rng.random() < 0.1
        found.append(Sending(part, max(one.at_s for one in part), is_twice))
    return found


# ---------------------------------------------------------------- what it looks like on each way


def json_body(readings: Sequence[Reading]) -> bytes:
    """A push."""
    items: list[dict[str, Any]] = []
    for one in readings:
        item = {"station": one.station, "role": one.role, "time": one.at_s, "unit": ROLE_UNITS[one.role]}
        items.append(item | ({"value": 0, "quality": "bad"} if one.value is None else {"value": one.value}))
    return json.dumps(items).encode()


def message(one: Reading) -> tuple[str, bytes]:
    """Topic and payload."""
    quality = "bad" if one.value is None else "good"
    body = {"time": one.at_s, "value": 0 if one.value is None else one.value, "quality": quality}
    return f"plant/{one.station}/{one.role}", json.dumps(body).encode()


def csv_lines(readings: Sequence[Reading], roles: Sequence[str]) -> bytes:
    """Lines of a log file, one for each reading; repr keeps every bit."""
    lines = []
    for one in readings:
        cells = [""] * len(roles)
        cells[roles.index(one.role)] = "bad" if one.value is None else repr(one.value)
        lines.append(f"{one.at_s},{','.join(cells)}\n")
    return "".join(lines).encode()


MAPPING = """
utility: Lanternmoor Water (invented)
time_zone: UTC
step_s: 60
quality: {style: opc_da}
default_bad_values: false
tags:
""" + "".join(
    f'  - {{pattern: "plant/{{station}}/{role}", role: {role}, unit: {unit}}}\n'
    for role, unit in ROLE_UNITS.items()
)


def registry_text(base: Path, by: dict[str, Way], logs: dict[str, StationLog]) -> str:
    """The registry of a round: stations of watched folders have a file of our own form."""
    data = yaml.safe_load(base.read_text(encoding="utf-8"))
    data["log_root"] = "logs"
    for name, way in by.items():
        if way == "folder":
            roles = list(logs[name].series)
            data["stations"][name]["tags"] = {role: {"tag": role, "unit": ROLE_UNITS[role]} for role in roles}
            source = {"path": f"{name}.csv", "time_format": "epoch_s", "default_bad_values": False}
            data["stations"][name]["sources"] = [source]
        else:
            data["stations"][name]["sources"] = [{"path": f"none/{name}.csv"}]
    return str(yaml.safe_dump(data, sort_keys=False))
