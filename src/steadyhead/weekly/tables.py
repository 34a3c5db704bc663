"""The figures for programs: one CSV row per station and figure, and the whole report as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime
from typing import Any

from steadyhead.alerts.jsonlines import rfc3339
from steadyhead.weekly.definitions import DEFINITIONS, TERMS
from steadyhead.weekly.material import usual_zone_of
from steadyhead.weekly.model import AlertLine, FleetWeek, StationWeek
from steadyhead.weekly.words import Words

FORMAT = 1
COLUMNS = (
    "station", "figure", "name", "unit", "value", "low", "high", "four_weeks_before", "three_weeks_before",
    "two_weeks_before", "week_before", "mean_before", "learned", "change", "least_change", "note", "why_not",
)  # fmt: skip
Row = dict[str, Any]


def rows(fleet: FleetWeek, words: Words) -> Iterator[Row]:
    """Every figure of every station, then trend and forecast of each, then the load of the fleet."""
    for station in fleet.stations:
        for figure in station.figures:
            before = [words.shown(value, figure.unit) for value in figure.before]
            yield {
                "station": station.station,
                "figure": figure.key,
                "name": figure.name,
                "unit": words.unit(figure.unit),
                "value": words.shown(figure.value, figure.unit),
                **dict(zip(COLUMNS[7:11], before, strict=True)),
                "mean_before": words.shown(figure.before_mean, figure.unit),
                "learned": words.shown(figure.profile, figure.unit),
                "change": figure.change,
                "least_change": words.shown(figure.least, figure.unit),
                "note": figure.note,
                "why_not": figure.why_not,
            }
        yield from _course(station, words)
    for target in fleet.load.targets:
        yield {
            "station": "", "figure": f"load_{target.name}", "name": "Alarm load", "unit": "",
            "value": round(float(target.value), 4), "note": f"target: {target.wanted}",
        }  # fmt: skip


def _course(station: StationWeek, words: Words) -> Iterator[Row]:
    trend, ahead = station.trend, station.forecast
    named = {"station": station.station, "figure": "trend", "name": "Trend of the level"}
    unit = words.unit("rate")
    if trend.why_not is not None:
        yield {**named, "unit": unit, "why_not": trend.why_not}
    else:
        low, high = (words.shown(value, "rate") for value in (trend.slope_low, trend.slope_high))
        value = words.shown(trend.slope, "rate")
        yield {**named, "unit": unit, "value": value, "low": low, "high": high, "note": f"{trend.days} days"}
    why_not = ahead.why_not
    if why_not is None and ahead.days is None:
        why_not = "not within 26 weeks"
    yield {
        "station": station.station, "figure": "leaves_band", "name": "Leaves its band in", "unit": "days",
        "value": _days(ahead.days), "low": _days(ahead.earliest_days), "high": _days(ahead.latest_days),
        "note": "it is outside" if ahead.is_out else None, "why_not": why_not,
    }  # fmt: skip


def _days(days: float | None) -> float | None:
    return None if days is None else round(days, 1)


def to_csv(fleet: FleetWeek, words: Words) -> str:
    """UTF-8 text with a heading; empty cells where there is nothing."""
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\r\n")
    writer.writeheader()
    for row in rows(fleet, words):
        writer.writerow({name: "" if value is None else value for name, value in row.items()})
    return out.getvalue()


def to_json(fleet: FleetWeek, words: Words, made_s: int) -> str:
    """The whole report; numbers in the units chosen, times in UTC."""
    zone = usual_zone_of([station.time_zone for station in fleet.stations])
    from_s, to_s = fleet.week.bounds_s(zone)
    document = {
        "format": FORMAT,
        "made_at": _utc(made_s),
        "utility": fleet.utility,
        "week": str(fleet.week),
        "from": _utc(from_s),
        "to": _utc(to_s),
        "time_zone": zone,
        "is_complete": fleet.is_complete,
        "newest_reading_at": _utc(fleet.newest_s),
        "has_desk": fleet.has_desk,
        "sigma_limit": fleet.sigma_limit,
        "work": [asdict(item) for item in fleet.work],
        "worse": [_moved(moved) for moved in fleet.worse],
        "better": [_moved(moved) for moved in fleet.better],
        "repairs": [
            {**asdict(repair), "repaired_s": None, "repaired_at": _utc(repair.repaired_s)}
            for repair in fleet.repairs
        ],
        "not_judged": [asdict(item) for item in fleet.not_judged],
        "left_out": dict(fleet.left_out),
        "figures": [{name: row.get(name) for name in COLUMNS} for row in rows(fleet, words)],
        "stations": [_station(station) for station in fleet.stations],
        "alarm_load": _load(fleet),
        "definitions": [asdict(defined) for defined in DEFINITIONS.values()],
        "terms": [asdict(term) for term in TERMS],
        "pages": list(fleet.pages),
    }
    for repair in document["repairs"]:  # type: ignore[attr-defined]
        del repair["repaired_s"]
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _moved(moved: Any) -> Row:
    return {"station": moved.station, "figure": moved.figure.key, "severity": round(moved.severity, 2)}


def _station(station: StationWeek) -> Row:
    return {
        "station": station.station,
        "zone": station.zone,
        "time_zone": station.time_zone,
        "sigma_limit": station.sigma_limit,
        "why_not": station.why_not,
        "out_of_service": None if station.outage is None else station.outage.why,
        "not_judged": dict(station.withheld),
        "alerts": [_alert(line) for line in station.alerts],
    }


def _alert(line: AlertLine) -> Row:
    return {
        "alert_id": line.alert.alert_id,
        "condition": line.alert.condition,
        "priority": line.alert.priority,
        "confidence": line.alert.confidence,
        "began_at": _utc(line.began_s),
        "raised_at": _utc(line.raised_s),
        "ended_at": None if line.ended_s is None else _utc(line.ended_s),
        "acknowledged_at": None if line.acknowledged_s is None else _utc(line.acknowledged_s),
        "findings": list(line.findings),
    }


def _load(fleet: FleetWeek) -> Row:
    load = fleet.load
    return {
        "operators": load.operators,
        "calls": load.calls,
        "targets": [asdict(target) for target in load.targets],
        "top": [asdict(one) for one in load.top],
        "stale": [asdict(one) for one in load.stale],
        "floods": [asdict(one) for one in load.floods],
    }


def _utc(time_s: int) -> str:
    return rfc3339(datetime.fromtimestamp(time_s, tz=UTC))
