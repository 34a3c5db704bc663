"""A sample of a feed that connects, turned by its mapping and checked like a log. Nothing is written."""

from __future__ import annotations

import numpy as np

from steadyhead.config import ROLES, Registry, Role, Source
from steadyhead.errors import FeedError, RegistryError
from steadyhead.feeds.check.check import check_station
from steadyhead.feeds.check.findings import Finding, LooseTag, Report, StationCheck
from steadyhead.feeds.check.guessing import proposed_mapping
from steadyhead.feeds.check.logs import loose_tag
from steadyhead.feeds.check.rhythm import stored_words
from steadyhead.feeds.connector import Points
from steadyhead.feeds.mapper import Mapper, Placed
from steadyhead.feeds.mapping import Mapping
from steadyhead.feeds.turning import Turned, turn
from steadyhead.readings.rejects import REASONS, RejectBlock, Rejects
from steadyhead.readings.series import Series, StationLog


def check_points(
    source: str, points: Points, mapping: Mapping, now_s: float, reach_days: int | None = None
) -> Report:
    """Check readings as they came from a connector.

    reach_days : how far back readings are stored, if that is known

    Stations are those the mapping makes of the tags that are there; what fits no pattern is listed with a
    proposal for the mapping.
    """
    report = Report(source)
    mapper = Mapper(mapping)
    seen = [tag for n, tag in enumerate(points.tags) if (points.which == n).any()]
    placed = {tag: place for tag in seen if (place := mapper.place(tag)) is not None}
    report.loose = [_loose(points, tag) for tag in seen if tag not in placed]
    report.proposed = proposed_mapping(report.loose, mapping.time_zone, mapping.step_s)
    claimed: dict[tuple[str, Role], str] = {}
    by_station: dict[str, list[str]] = {}
    for tag, place in placed.items():
        by_station.setdefault(place.station, []).append(tag)
        claimed.setdefault((place.station, place.role), tag)
    latest_us = round((now_s + 300) * 1e6)
    turned = turn(points, mapper, latest_us)
    for name, tags in sorted(by_station.items()):
        try:
            registry = mapper.registry(tags)
        except (FeedError, RegistryError) as exc:
            met, _, do = str(exc).removeprefix(f"{name}: ").partition("; ")
            finding = Finding("unreadable", name, None, "", met, do or "mend the mapping")
            report.stations.append(StationCheck(name, findings=[finding]))
            continue
        found = _check(name, registry, turned, placed, now_s)
        found.history = stored_words(found.days, reach_days)
        found.days = max(found.days, reach_days or 0.0)
        report.stations.append(found)
    return report


def _check(
    name: str, registry: Registry, turned: Turned, placed: dict[str, Placed], now_s: float
) -> StationCheck:
    station = registry.stations[name]
    rejects = Rejects(name)
    series: dict[Role, Series] = {}
    if name in turned.stations:
        mine = turned.station == turned.stations.index(name)
        for number, role in enumerate(ROLES):
            at = np.flatnonzero(mine & (turned.role == number))
            if len(at):
                at = at[np.argsort(turned.us[at], kind="stable")]
                times_s = -(-turned.us[at] // 1_000_000)
                series[role] = Series(times_s, turned.values[at], turned.flags[at])
    future = []
    for refusal in turned.refusals:
        if refusal.station != name:
            continue
        of_role = placed[refusal.tag].role if refusal.tag in placed else None
        if refusal.why == "future_time":
            future.append(
                Finding(
                    "future",
                    name,
                    of_role,
                    refusal.tag,
                    f"{refusal.n} readings: {refusal.example.partition(';')[0]}",
                    "mend the time zone of the feed, or set the clock of the sender",
                )
            )
        elif refusal.why in REASONS:
            rows = np.zeros(refusal.n, np.int64)
            texts = [refusal.example.split('"')[1]] * refusal.n
            rejects.add(RejectBlock("the feed", refusal.tag, refusal.why, rows, texts))
    found = check_station(station, StationLog(name, series, rejects), now_s, source=Source(path=("-",)))
    found.findings = future + found.findings
    return found


def _loose(points: Points, tag: str) -> LooseTag:
    return loose_tag(tag, points.values[points.which == list(points.tags).index(tag)])
