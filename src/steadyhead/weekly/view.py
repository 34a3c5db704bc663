"""What the templates show: the report in words and cells, in the order of the pages."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from steadyhead.diagnosis.phrases import duration_text, percent
from steadyhead.report.words import sure_text
from steadyhead.types import Condition
from steadyhead.weekly.definitions import DEFINITIONS, TERMS
from steadyhead.weekly.first_page import RESULT_WORDS, after_work, first_jobs, short_lists, summary
from steadyhead.weekly.material import usual_zone_of
from steadyhead.weekly.model import (
    AlertLine,
    Figure,
    FleetWeek,
    Moved,
    Repair,
    StationWeek,
    WorkItem,
)
from steadyhead.weekly.pictures.drift_view import forecast_text, said_of
from steadyhead.weekly.pictures.pages import Pictures
from steadyhead.weekly.pictures.sparks import spark_row
from steadyhead.weekly.words import CHANGE_MARKS, CHANGE_WORDS, EFFORT_WORDS, NOTHING, Words

MOST_ROWS = 120  # of a list in full; a thousand stations have more than a reader wants on paper
FLEET = tuple(defined for defined in DEFINITIONS.values() if defined.in_fleet)
TARGET_WORDS = {
    "mean": "Calls for one operator in 10 minutes, on average",
    "peak": "Most calls for one operator in 10 minutes",
    "over_share": "Share of 10-minute periods with more than 10 calls",
    "stale": "Alerts that have stood for more than a day",
    "chattering": "Conditions that called three times within an hour",
    "priority_split": "Share of calls with high priority",
    "top_share": "Share of calls from the ten that called most",
}
SHARES = ("over_share", "priority_split", "top_share")


@dataclass(frozen=True, slots=True)
class Cell:
    """One number of a table. change : word for the class; mark : sign before it; why : why there is none."""

    text: str
    change: str
    mark: str
    said: str
    why: str


@dataclass(frozen=True, slots=True)
class FleetRow:
    """One station on the fleet page."""

    station: str
    has_page: bool
    cells: tuple[Cell, ...]
    sparks: str
    sparks_said: str
    alerts: str
    times: str
    leaves: str
    why_not: str


def context(
    fleet: FleetWeek,
    pictures: Mapping[str, Pictures],
    words: Words,
    titles: Mapping[Condition, str],
    made_s: int,
) -> dict[str, Any]:
    """Everything a template needs."""
    zone = usual_zone_of([station.time_zone for station in fleet.stations])
    monday = fleet.week.monday
    n_jobs = first_jobs(fleet)
    by_name = {station.station: station for station in fleet.stations}
    return {
        "fleet": fleet,
        "words": words,
        "week": str(fleet.week),
        "days": words.days(monday, monday + timedelta(days=6)),
        "made": words.stamp(made_s),
        "lang": words.language,
        "summary": summary(fleet),
        "own_sigma": sum(s.sigma_limit != fleet.sigma_limit for s in fleet.stations),
        "shorts": short_lists(fleet, words),
        "not_complete": None if fleet.is_complete else words.moment(fleet.newest_s, zone),
        "zone": zone,
        "work": fleet.work[:n_jobs],
        "more_work": fleet.work[n_jobs:],
        "effort_words": EFFORT_WORDS,
        "worse": [_moved(moved, words) for moved in fleet.worse[:MOST_ROWS]],
        "worse_more": max(0, len(fleet.worse) - MOST_ROWS),
        "better": [_moved(moved, words) for moved in after_work(fleet)[:MOST_ROWS]],
        "better_more": max(0, len(fleet.better) - MOST_ROWS),
        "repairs": [
            _repair(repair, by_name[repair.station].time_zone, words) for repair in fleet.repairs[:MOST_ROWS]
        ],
        "repairs_more": max(0, len(fleet.repairs) - MOST_ROWS),
        "left_out": list(fleet.left_out.values())[:MOST_ROWS],
        "left_out_more": max(0, len(fleet.left_out) - MOST_ROWS),
        "not_judged": fleet.not_judged[:MOST_ROWS],
        "not_judged_more": max(0, len(fleet.not_judged) - MOST_ROWS),
        "outages": [station for station in fleet.stations if station.outage is not None],
        "columns": [(defined, words.unit(defined.unit)) for defined in FLEET],
        "rows": [_fleet_row(station, station.station in pictures, words) for station in fleet.stations],
        "load": _load(fleet, titles),
        "pages": [
            _page(by_name[name], pictures[name], fleet, words) for name in fleet.pages if name in pictures
        ],
        "definitions": [(defined, words.unit(defined.unit) or "number") for defined in DEFINITIONS.values()],
        "terms": TERMS,
    }


def data_uri(svg: str) -> str:
    """A picture as an address that needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def names_text(names: tuple[str, ...], most: int = 24) -> str:
    """Names in a row, the rest counted."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def _moved(moved: Moved, words: Words) -> dict[str, str]:
    return {
        "station": moved.station,
        "name": moved.figure.name,
        "moved": words.moved(moved.figure),
        "learned": words.text(moved.figure.profile, moved.figure.unit)
        if moved.figure.profile is not None
        else "",
        "least": words.text(moved.figure.least, moved.figure.unit),
    }


def _repair(repair: Repair, zone: str, words: Words) -> dict[str, str]:
    return {
        "station": repair.station,
        "title": repair.title,
        "at": words.date(repair.repaired_s, zone),
        "text": repair.text,
        "result": RESULT_WORDS[repair.result],
        "why": repair.sentences[0] if repair.sentences else "",
    }


def _cell(figure: Figure, words: Words) -> Cell:
    why = figure.why_not or ""
    said = words.text(figure.value, figure.unit) if figure.value is not None else f"not judged: {why}"
    if figure.change in ("worse", "better"):
        said += f", {CHANGE_WORDS[figure.change]} ({words.moved(figure)})"
    if figure.profile is not None:
        said += f", learned {words.text(figure.profile, figure.unit)}"
    if figure.note:
        said += f", {figure.note}"
    return Cell(
        words.number(figure.value, figure.unit), figure.change, CHANGE_MARKS[figure.change], said, why
    )


def _fleet_row(station: StationWeek, has_page: bool, words: Words) -> FleetRow:
    figures = [station.by_key[defined.key] for defined in FLEET]
    changed = [
        f"{f.name.lower()} {CHANGE_WORDS[f.change]}" for f in figures if f.change in ("worse", "better")
    ]
    said = f"Five weeks of {station.station}: {', '.join(changed) or 'no figure changed'}."
    acknowledge, clear = station.by_key["time_to_acknowledge"], station.by_key["time_to_clear"]
    times = "; ".join(
        f"{word} {words.number(figure.value, 'duration')}"
        for word, figure in (("ack.", acknowledge), ("cleared", clear))
        if figure.value is not None
    )
    standing = station.by_key["alerts_standing"]
    alerts = words.number(standing.value, "count")
    return FleetRow(
        station.station, has_page, tuple(_cell(figure, words) for figure in figures),
        data_uri(spark_row(figures, said)), said, alerts, times or NOTHING, _leaves(station),
        _why(station, words),
    )  # fmt: skip


def _why(station: StationWeek, words: Words) -> str:
    if station.outage is not None:
        since = words.short_day(station.outage.since_s, station.time_zone)
        return f"out of service since {since}: {station.outage.why}"
    return station.why_not or ""


def _leaves(station: StationWeek) -> str:
    ahead = station.forecast
    if ahead.is_out:
        return "is outside"
    if ahead.why_not is not None:
        return NOTHING
    if ahead.days is None:
        return "after 26 weeks"
    end = "open" if ahead.latest_days is None else f"{ahead.latest_days:.0f}"
    return f"{ahead.days:.0f} days ({ahead.earliest_days or 0:.0f} to {end})"


def _load(fleet: FleetWeek, titles: Mapping[Condition, str]) -> dict[str, Any]:
    load = fleet.load
    n = load.calls
    return {
        "said": f"{n} call{'' if n == 1 else 's'} in the week, shared by {load.operators} "
        f"operator{'' if load.operators == 1 else 's'}.",
        "targets": [
            {
                "name": TARGET_WORDS[target.name],
                "value": percent(target.value) if target.name in SHARES else f"{target.value:.2g}",
                "wanted": target.wanted,
                "verdict": {True: "met", False: "not met", None: "too few to judge"}[target.is_met],
                "source": target.source,
            }
            for target in load.targets
        ],
        "top": [(one.station, titles[one.condition], one.calls, percent(one.share)) for one in load.top],
        "stale": [
            (one.station, titles[one.condition], one.priority, duration_text(one.standing_s))
            for one in load.stale
        ],
        "priorities": [
            (part.priority, part.calls, percent(part.share), percent(part.target_share))
            for part in reversed(list(load.priorities.values()))
        ],
        "floods": len(load.floods),
    }


def _page(station: StationWeek, pictures: Pictures, fleet: FleetWeek, words: Words) -> dict[str, Any]:
    zone = station.time_zone
    return {
        "station": station.station,
        "zone": station.zone,
        "time_zone": zone,
        "out": _why(station, words),
        "facts": [_fact(figure, words) for figure in station.figures],
        "course": f"{said_of(station.trend, station.forecast, zone, words)}"
        if station.trend.why_not is None
        else f"No trend is given: {station.trend.why_not}. "
        + forecast_text(station.trend, station.forecast, zone, words),
        "alerts": [_alert(line, zone, words) for line in sorted(station.alerts, key=_newest)],
        "work": [item for item in fleet.work if item.station == station.station],
        "withheld": [(name.replace("_", " "), why) for name, why in station.withheld.items()],
        "remarks": station.remarks,
        "wide": [(picture, data_uri(picture.svg)) for picture in pictures if picture.is_wide],
        "narrow": [(picture, data_uri(picture.svg)) for picture in pictures if not picture.is_wide],
    }


def _newest(line: AlertLine) -> tuple[bool, int]:
    return (not line.stands, -line.raised_s)


def _fact(figure: Figure, words: Words) -> dict[str, str]:
    change = figure.change
    return {
        "name": figure.name,
        "value": words.text(figure.value, figure.unit),
        "before": words.text(figure.before_mean, figure.unit),
        "learned": words.text(figure.profile, figure.unit),
        "change": CHANGE_WORDS[change],
        "mark": CHANGE_MARKS[change],
        "kind": change,
        "note": figure.why_not or figure.note or "",
    }


def _alert(line: AlertLine, zone: str, words: Words) -> dict[str, Any]:
    alert = line.alert
    ended = "goes on" if line.ended_s is None else words.moment(line.ended_s, zone)
    answered = ""
    if line.acknowledged_s is not None:
        answered = f"acknowledged {words.moment(line.acknowledged_s, zone)} by {line.acknowledged_by}"
    checks = alert.field_checks
    return {
        "title": line.title,
        "headline": line.headline,
        "priority": alert.priority,
        "sure": sure_text(alert.confidence),
        "began": words.moment(line.began_s, zone),
        "raised": words.moment(line.raised_s, zone),
        "ended": ended,
        "answered": answered,
        "held": line.held_why or "",
        "evidence": alert.evidence,
        "cause": alert.likely_causes[0].text if alert.likely_causes else "",
        "check": checks[0].text if checks else "",
        "cautions": checks[0].cautions if checks else (),
        "findings": line.findings,
    }


def work_of(item: WorkItem) -> str:
    """What a job takes, in words."""
    return f"{EFFORT_WORDS[item.effort]}: {item.effort_text}"
