"""A sample from log folders. Nothing is written."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow.compute as pc

from steadyhead.config import Registry, Source, Station
from steadyhead.errors import FeedError, SteadyheadError
from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.cells import to_numbers
from steadyhead.feeds.check.check import check_station
from steadyhead.feeds.check.findings import Finding, LooseTag, Report, StationCheck
from steadyhead.feeds.check.guessing import guessed_role, proposed_station
from steadyhead.feeds.check.rhythm import history_words
from steadyhead.feeds.finding import find_files
from steadyhead.feeds.headings import time_columns
from steadyhead.feeds.tables import open_table
from steadyhead.feeds.tabular import read_station
from steadyhead.types import FloatArray

_MOST_LOOSE = 500


def check_logs(
    registry: Registry,
    log_root: Path,
    stations: Sequence[str],
    now_s: float,
    on_station: Callable[[str], None] = lambda _name: None,
) -> Report:
    """Check the log files of stations; a station that cannot be read is a finding, and the others go on.

    What is judged is the span the registry gives to learn from, or all of it if it gives none.
    """
    report = Report(f"log files below {log_root}")
    for name in stations:
        report.stations.append(_check(registry.stations[name], registry, log_root, now_s))
        on_station(name)
    return report


def _check(station: Station, registry: Registry, log_root: Path, now_s: float) -> StationCheck:
    loose = loose_tags(station, registry, log_root)
    span_s = station.learning_span_s()
    try:
        log = read_station(station, log_root)
    except SteadyheadError as exc:
        turned = _if_turned(station, log_root)
        if turned is not None:
            return StationCheck(station.name, loose=loose, findings=[turned], history=history_words(0.0))
        text = str(exc).removeprefix(f"{station.name}: ")
        met, _, do = text.partition("; ")
        finding = Finding("unreadable", station.name, None, "", met, do or "mend the registry")
        proposed = proposed_station(station, [finding], loose)
        return StationCheck(
            station.name, loose=loose, findings=[finding], history=history_words(0.0), proposed=proposed
        )
    return check_station(station, log, now_s, source=station.sources[0], loose=loose, span_s=span_s)


def _if_turned(station: Station, log_root: Path) -> Finding | None:
    """A pressure with its sign turned is out of every range, so nothing of it can be read."""
    for role in ("inlet", "outlet"):
        tag = station.tags.get(role)
        if tag is None:
            continue
        other = station.model_copy(
            update={"tags": {**station.tags, role: tag.model_copy(update={"scale": -tag.scale})}}
        )
        try:
            read_station(other, log_root)
        except SteadyheadError:
            continue
        return Finding(
            "sign", station.name, role, tag.tag,
            "its values are far below zero, and would be usual with the other sign",
            f"turn the sign: scale: {-tag.scale:g}",
        )  # fmt: skip
    return None


def loose_tags(station: Station, registry: Registry, log_root: Path) -> list[LooseTag]:
    """Tags or columns in the first file of each source that no station of the registry declares."""
    known = {tag.tag for other in registry.stations.values() for tag in other.tags.values()}
    known |= {
        name for other in registry.stations.values() for s in other.sources for name in s.columns.values()
    }
    found: dict[str, LooseTag] = {}
    for source in station.sources:
        try:
            path = find_files(station, source, log_root)[0]
            values = _long(path, source) if source.layout == "long" else _wide(path, source)
        except FeedError:
            continue
        for name, numbers in values.items():
            if name not in known and len(found) < _MOST_LOOSE:
                found.setdefault(name, loose_tag(name, numbers))
    return list(found.values())


def loose_tag(name: str, numbers: FloatArray) -> LooseTag:
    """Figures of a tag that belongs to nothing."""
    known = numbers[~np.isnan(numbers)]
    low, middle, high = np.percentile(known, [1, 50, 99]) if len(known) else (np.nan,) * 3
    return LooseTag(name, len(known), float(low), float(middle), float(high), guessed_role(name))


def _wide(path: Path, source: Source) -> dict[str, FloatArray]:
    table = open_table(path, source)
    beside = {*time_columns(source), source.quality_column}
    names = [
        name for name in dict.fromkeys(table.columns)
        if name and name not in beside
        and not (source.quality_suffix and name.endswith(source.quality_suffix))
        and table.columns.count(name) == 1
    ]  # fmt: skip
    if not names:
        return {}
    batch = table.head(names) or {}
    return {name: to_numbers(column, source)[0] for name, column in batch.items()}


def _long(path: Path, source: Source) -> dict[str, FloatArray]:
    table = open_table(path, source)
    if source.tag_column not in table.columns or source.value_column not in table.columns:
        return {}
    batch = table.head([source.tag_column, source.value_column])
    if batch is None:
        return {}
    names = pc.utf8_trim_whitespace(as_text(batch[source.tag_column]))
    values = to_numbers(batch[source.value_column], source)[0]
    return {
        name: values[pc.equal(names, name).fill_null(False).to_numpy(zero_copy_only=False)]
        for name in pc.unique(names).to_pylist()
        if name
    }
