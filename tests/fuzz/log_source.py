"""Log files of stations in every dialect that a source may declare, for the fuzzers of CSV, gzip and Parquet."""

from __future__ import annotations

import contextlib
from functools import cache
from pathlib import Path

from steadyhead.config import Registry, Source, Station, parse_registry
from steadyhead.errors import FeedError
from steadyhead.feeds.tabular import read_station
from steadyhead.live import growing
from steadyhead.live.file_readings import context_bytes, found_in
from steadyhead.readings.grid import to_grid

from .made import NOW_S
from .target import folder, written

DIALECTS = {
    "iso": "{}",
    "epoch": "{time_format: epoch_ms}",
    "days": '{time_format: "%d/%m/%Y %H:%M", time_zone: Europe/London, skip_rows: 1}',
    "comma": '{date_column: day, time_format: "%d.%m.%Y %H:%M:%S", decimal: ",", delimiter: ";"}',
    "latin": "{encoding: latin-1, bad_values: [-1, Fehler], column_names: [time, PIN, POUT, Q]}",
    "coded": "{quality_suffix: .q, quality: {accept_uncertain: true, map: {Fail: bad}}}",
    "long": "{layout: long, quality_column: quality, time_zone: America/Chicago}",
    "offset": '{time_format: "%Y-%m-%dT%H:%M:%S%z", encoding: utf-16}',
}
_TEXT = """
utility: Logs (invented)
defaults:
  time_zone: Australia/Adelaide
  step_s: 60
  tags:
    inlet: {tag: PIN, unit: bar}
    outlet: {tag: POUT, unit: kPa, low: 0, high: 1500}
    flow: {tag: Q, unit: m3/h}
stations:
"""
NAMES = tuple(DIALECTS)


@cache
def stations() -> Registry:
    """One station for each dialect, all with a file of the same name."""
    lines = [f"  {name}: {{sources: [{{path: log, {said[1:-1]}}}]}}" for name, said in DIALECTS.items()]
    return parse_registry(_TEXT + "\n".join(lines) + "\n")


def read(dialect: int, data: bytes) -> None:
    """A file as ``scan`` reads it, then as a watched folder does: a half of it, and what has grown."""
    station = stations().stations[NAMES[dialect % len(NAMES)]]
    refused = None
    try:
        log = read_station(station, written("logs/log", data).parent)
        assert log.rejects.total >= 0
        if sum(len(s.times_s) for s in log.series.values()) and _is_short(log):
            to_grid(log, station)
    except FeedError as exc:
        refused = exc
    _grow(station, station.sources[0], data)
    if refused is not None:
        raise refused


def _is_short(log: object) -> bool:
    """Whether the log spans few days: a grid of a century is correct, and slow to make."""
    spans = [s.times_s for s in log.series.values() if len(s.times_s)]  # type: ignore[attr-defined]
    return max(int(s[-1]) for s in spans) - min(int(s[0]) for s in spans) < 30 * 86_400


def _grow(station: Station, source: Source, data: bytes) -> None:
    mark, last_us = None, NOW_S * 1_000_000
    for n, part in enumerate((data[: len(data) // 2], data)):
        path = written("grow/log", part)
        with contextlib.suppress(FeedError):
            new = growing.new_part(path, source, mark, context_bytes(station, source, last_us if n else None))
            if new is not None:
                mark = new.mark.to_dict()
                found_in(station, 0, source, "folder:it", [("log", new)], _empty(), float(NOW_S))


def _empty() -> Path:
    path = folder() / "work"
    path.mkdir(exist_ok=True)
    for name in ("new", "old"):
        (path / name / "log").unlink(missing_ok=True)
    return path
