"""The load of alarms on the people who answer them, beside the published targets."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from markupsafe import Markup, escape
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.alerts.model import PRIORITIES
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.load_views import AlarmLoad, Frequent, Target
from steadyhead.diagnosis.phrases import duration_text, percent
from steadyhead.live.room import Room
from steadyhead.web.frame import render
from steadyhead.web.moments import Moment, moment
from steadyhead.web.words import CONDITION_WORDS, PRIORITY_WORDS, clock_text, place_text

router = APIRouter(include_in_schema=False)

DAY_S = 86_400
PERIOD_S = 600
SPANS = (("1", "Last day"), ("7", "Last week"), ("30", "Last 30 days"), ("365", "Last year"))
MOST_BARS = 168
TOO_MANY = 10  # calls in 10 minutes: EEMUA 191 and ISA-18.2 call more than this a flood


TARGET_WORDS = {
    "mean": "Calls for one operator in 10 minutes, on average",
    "peak": "Most calls for one operator in 10 minutes",
    "over_share": "Share of 10-minute periods with more than 10 calls",
    "stale": "Alerts standing for more than a day",
    "chattering": "Conditions that called three times within an hour",
    "priority_split": "Share of calls with high priority",
    "top_share": "Share of calls from the ten that called most",
}


@dataclass(frozen=True, slots=True)
class TargetRow:
    """A figure beside its target, in words."""

    name: str
    value: str
    wanted: str
    verdict: str
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class Often:
    """A condition of a station and how often it called."""

    href: str
    place: str
    words: str
    calls: int
    share: str


@dataclass(frozen=True, slots=True)
class PriorityRow:
    """Calls of one priority."""

    word: str
    calls: int
    share: str
    target: str


@dataclass(frozen=True, slots=True)
class StaleRow:
    """An alert that has stood for long."""

    href: str
    place: str
    words: str
    standing: str


@dataclass(frozen=True, slots=True)
class FloodRow:
    """A stretch with more calls than a person can take."""

    at: Moment
    words: str


@dataclass(frozen=True, slots=True)
class Bars:
    """Calls over time as a drawing, and what it shows in words."""

    svg: Markup
    said: str


@router.get("/load")
def load(
    request: Request,
    actor: Annotated[Actor, Depends(require(Act.READ))],
    days: Annotated[Literal["1", "7", "30", "365"], Query()] = "7",
) -> Response:
    """The alarm-load figures."""
    room = room_of(request)
    to_s = int(room.clock())
    figures = room.desk.load(to_s - int(days) * DAY_S, to_s)
    zone = _zone(room)
    return render(
        request,
        "load.html",
        actor=actor,
        days=days,
        spans=SPANS,
        load_words=_words(figures),
        targets=[_target(target) for target in figures.targets],
        bars=bars(figures, zone),
        priorities=[
            PriorityRow(PRIORITY_WORDS[p], row.calls, percent(row.share), percent(row.target_share))
            for p in reversed(PRIORITIES)
            if (row := figures.priorities.get(p)) is not None
        ],
        top=[_often(row) for row in figures.top],
        chattering=[_often(row) for row in figures.chattering],
        stale=[
            StaleRow(
                f"/alerts/{row.alert_id}",
                place_text(row.station),
                CONDITION_WORDS[row.condition],
                f"for {duration_text(row.standing_s)}",
            )
            for row in figures.stale
        ],
        floods=[
            FloodRow(
                moment(row.from_s, zone, to_s),
                f"{row.calls} calls in {duration_text(row.to_s - row.from_s)}",
            )
            for row in figures.floods
        ],
    )


def _zone(room: Room) -> str:
    zones = {station.time_zone for station in room.registry.stations.values()}
    return zones.pop() if len(zones) == 1 else "UTC"


def _words(figures: AlarmLoad) -> str:
    people = f"{figures.operators} operator{'' if figures.operators == 1 else 's'}"
    return f"{figures.calls} call{'' if figures.calls == 1 else 's'}, counted for {people}."


def _target(target: Target) -> TargetRow:
    verdict, mark = {True: ("met", "meets"), False: ("not met", "fails"), None: ("cannot tell", "")}[
        target.is_met
    ]
    value = percent(target.value) if target.name.endswith(("share", "split")) else f"{target.value:.2g}"
    return TargetRow(
        TARGET_WORDS.get(target.name, target.name), value, target.wanted, verdict, mark, target.source
    )


def _often(row: Frequent) -> Often:
    return Often(
        f"/stations/{row.station}",
        place_text(row.station),
        CONDITION_WORDS[row.condition],
        row.calls,
        percent(row.share),
    )


def bars(figures: AlarmLoad, zone: str) -> Bars:
    """Calls in each stretch of time; a stretch is as many 10-minute periods as makes the drawing readable."""
    per = figures.per_period
    n = max(1, -(-len(per) // MOST_BARS))
    sums = [sum(per[i : i + n]) for i in range(0, len(per), n)]
    top = max([*sums, 1])
    width, height = 840, 130
    step = width / max(1, len(sums))
    rects = "".join(
        f'<rect x="{i * step:.2f}" y="{height - 110 * value / top:.2f}" width="{max(step - 1, 1):.2f}" '
        f'height="{110 * value / top:.2f}"/>'
        for i, value in enumerate(sums)
        if value
    )
    first, last = clock_text(figures.from_s, zone), clock_text(figures.to_s, zone)
    stretch = duration_text(n * PERIOD_S)
    said = (
        f"From {first} to {last}, one bar for each {stretch}; most calls in one: {max(sums, default=0)}. "
        f"More than {TOO_MANY} calls for one person in 10 minutes are more than can be answered."
    )
    svg = (
        f'<svg class="load-bars" viewBox="0 0 {width} {height}" role="img" aria-label="{escape(said)}" '
        f'preserveAspectRatio="none"><path d="M0 {height - 0.5}H{width}"/>{rects}</svg>'
    )
    return Bars(Markup(svg), said)  # noqa: S704 - numbers of ours and an escaped text
