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

FIRST_PAGE = 12  # rows of a list on the first page
FIRST_JOBS = 15  # jobs on it; nobody acts on more within five minutes
FLEET = tuple(defined for defined in DEFINITIONS.values() if defined.in_fleet)
RESULT_WORDS = {
    "pass": "holds", "not_yet": "does not hold yet", "cannot_tell": "cannot be told yet",
    "unproved": "not proved yet",
}  # fmt: skip
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
    by_name = {station.station: station for station in fleet.stations}
    return {
        "fleet": fleet,
        "words": words,
        "week": str(fleet.week),
        "days": words.days(monday, monday + timedelta(days=6)),
        "made": words.stamp(made_s),
        "lang": words.language,
        "summary": _summary(fleet),
        "digest": _digest(fleet),
        "not_complete": None if fleet.is_complete else words.moment(fleet.newest_s, zone),
        "zone": zone,
        "work": fleet.work[:FIRST_JOBS],
        "more_work": fleet.work[FIRST_JOBS:],
        "effort_words": EFFORT_WORDS,
        "worse": [_moved(moved, words) for moved in fleet.worse[:FIRST_PAGE]],
        "worse_more": max(0, len(fleet.worse) - FIRST_PAGE),
        "better": [_moved(moved, words) for moved in _after_work(fleet)[:FIRST_PAGE]],
        "repairs": [_repair(repair, by_name[repair.station].time_zone, words) for repair in fleet.repairs],
        "not_judged": fleet.not_judged[:FIRST_PAGE],
        "all_not_judged": fleet.not_judged if len(fleet.not_judged) > FIRST_PAGE else (),
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


def names_text(names: tuple[str, ...], most: int = 6) -> str:
    """Names in a row, the rest counted."""
    shown = ", ".join(names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"


def _summary(fleet: FleetWeek) -> str:
    """The week in one or two sentences."""
    n = len(fleet.stations)
    standing = sum(1 for s in fleet.stations if s.outage is None and any(line.stands for line in s.alerts))
    silent = sum(1 for s in fleet.stations if s.why_not is not None)
    said = f"{n} station{'' if n == 1 else 's'}: {standing} with an alert that stands at the end of the week"
    if silent:
        said += f", {silent} that could not be judged"
    jobs = len(fleet.work)
    first = f" Begin with {fleet.work[0].station}." if fleet.work else ""
    return f"{said}. {jobs or 'No'} job{'' if jobs == 1 else 's'} proposed.{first}"


def _digest(fleet: FleetWeek) -> list[tuple[str, str, str]]:
    """What the lists behind the first page come to: anchor, word, one line each."""
    worse = tuple(dict.fromkeys(f"{m.station} ({m.figure.name.lower()})" for m in fleet.worse))
    better = tuple(dict.fromkeys(m.station for m in _after_work(fleet)))
    held = sum(repair.result == "pass" for repair in fleet.repairs)
    work = f"{held} of {len(fleet.repairs)} recorded repairs proved to hold; " if fleet.repairs else ""
    silent = tuple(f"{s.station} ({_why_short(s)})" for s in fleet.stations if s.why_not is not None)
    parts = {name for item in fleet.not_judged for name in item.stations} - {
        s.station for s in fleet.stations if s.why_not is not None
    }
    lost = f"{names_text(silent)}; " if silent else "no whole station; "
    return [
        ("worse", "Worse", names_text(worse, 4) or "nothing"),
        ("better", "Better", work + (f"figures at {names_text(better)}" if better else "no figure")),
        ("not-judged", "Not judged", f"{lost}single figures or alerts at {len(parts)}"),
    ]


def _why_short(station: StationWeek) -> str:
    return "out of service" if station.outage is not None else station.why_not or ""


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


def _after_work(fleet: FleetWeek) -> list[Moved]:
    """Better figures, those of stations with recorded work first."""
    worked = {repair.station for repair in fleet.repairs}
    return sorted(fleet.better, key=lambda moved: (moved.station not in worked, -moved.severity))


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
        for word, figure in (("ack.", acknowledge), ("over", clear))
        if figure.value is not None
    )
    standing = station.by_key["alerts_standing"]
    alerts = words.number(standing.value, "count")
    return FleetRow(
        station.station, has_page, tuple(_cell(figure, words) for figure in figures),
        data_uri(spark_row(figures, said)), alerts, times or NOTHING, _leaves(station),
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
