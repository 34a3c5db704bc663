"""All stations, a page at a time, worst first: works with a thousand of them."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.alerts.model import AlertState
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.ranking import HELD
from steadyhead.desk.views import AlertQuery, AlertView, Counts
from steadyhead.live.room import Room
from steadyhead.live.views import StationView
from steadyhead.units import UnitSystem
from steadyhead.web.alert_list import Paging
from steadyhead.web.cards import ACTIVE, alert_glyph, quiet_word, zone_of
from steadyhead.web.frame import render, with_query
from steadyhead.web.freshness import old_after_s
from steadyhead.web.glyphs import state_mark, station_glyph
from steadyhead.web.moments import Moment, perhaps
from steadyhead.web.words import CONDITION_WORDS, PRIORITY_WORDS, place_text

router = APIRouter(include_in_schema=False)

PAGE = 50

MOST_AT_ONCE = 500

Active = dict[str, list[AlertView]]
Show = Literal["", "alerts", "silent", "out", "learning"]
Order = Literal["worst", "name", "zone", "age"]
SHOWS = (
    ("", "All stations"),
    ("alerts", "With an alert"),
    ("silent", "Without readings"),
    ("learning", "Not learned yet"),
    ("out", "Out of service"),
)
ORDERS = (("worst", "Worst first"), ("name", "By name"), ("zone", "By zone"), ("age", "Oldest reading first"))


@dataclass(frozen=True, slots=True)
class Asked:
    """The filter form, as asked; page counts from 1."""

    q: str = ""
    zone: str = ""
    show: Show = ""
    sort: Order = "worst"
    page: int = 1


@dataclass(frozen=True, slots=True)
class HeldLine:
    """An alert that holds and is held back, in few words."""

    href: str
    mark: Markup
    words: str


@dataclass(frozen=True, slots=True)
class Row:
    """One station in one line. Numbers are texts with their unit; an empty text where there is no number."""

    href: str
    place: str
    tone: str
    glyph: Markup
    now: str
    mark: Markup | None
    alert_id: str | None
    alert_href: str
    alert_words: str
    outlet: str
    expected: str
    inlet: str
    flow: str
    last: Moment | None
    key: str
    old_at: int | None
    held: tuple[HeldLine, ...]


@dataclass(frozen=True, slots=True)
class RowGroup:
    """Rows under one heading; the heading is empty where stations are not grouped."""

    title: str
    words: str
    rows: tuple[Row, ...]


@router.get("/stations")
def stations(
    request: Request,
    actor: Annotated[Actor, Depends(require(Act.READ))],
    q: Annotated[str, Query(max_length=100)] = "",
    zone: Annotated[str, Query(max_length=100)] = "",
    show: Show = "",
    sort: Order = "worst",
    page: Annotated[int, Query(ge=1, le=100_000)] = 1,
) -> Response:
    """The fleet."""
    room = room_of(request)
    asked = Asked(q.strip(), zone, show, sort, page)
    counts = room.desk.counts()
    active = active_by_station(room)
    names = _ordered(room, asked, counts, active)
    first = (page - 1) * PAGE
    shown = names[first : first + PAGE]
    views = room.runner.stations(shown)
    held = held_by_station(room)
    rows = [
        _row(room, name, views.get(name), counts, active.get(name, []), held.get(name, [])) for name in shown
    ]
    n_all, n_alert = len(room.registry.stations), len(active)
    return render(
        request,
        "stations.html",
        actor=actor,
        call=f"{n_all} station{'' if n_all == 1 else 's'}",
        call_more=_call_more(n_alert, len(counts.out_of_service)),
        query=asked,
        is_filtered=replace(asked, page=1) != Asked(),
        caption=f"{first + 1} to {first + len(rows)} of {len(names)}." if rows else "",
        rows=_grouped(room, shown, rows, active)
        if sort == "zone"
        else [RowGroup("", "", tuple(rows))]
        if rows
        else [],
        page=Paging(
            first_href=_address(asked, 1) if page > 1 else None,
            next_href=_address(asked, page + 1) if first + PAGE < len(names) else None,
            next_words=f"The next {min(PAGE, len(names) - first - PAGE)}",
        ),
        zones=_zones(room),
        shows=SHOWS,
        sorts=ORDERS,
    )


def _call_more(n_alert: int, n_out: int) -> str:
    with_alert = f"{n_alert} with an alert" if n_alert else "None with an alert"
    return f"{with_alert}; {n_out} out of service." if n_out else f"{with_alert}."


def _address(asked: Asked, page: int) -> str:
    values: dict[str, str | int | None] = {
        "q": asked.q,
        "zone": asked.zone,
        "show": asked.show,
        "sort": "" if asked.sort == "worst" else asked.sort,
        "page": page if page > 1 else "",
    }
    return with_query("/stations", values)


def _zones(room: Room) -> list[tuple[str, str]]:
    zones = sorted({zone for zone in room.registry.zones().values() if zone})
    return [("", "Any"), *((zone, zone) for zone in zones)] if zones else []


def _ordered(room: Room, asked: Asked, counts: Counts, active: Active) -> list[str]:
    names = [name for name in room.registry.stations if _fits(room, name, asked)]
    views: dict[str, StationView] = {}
    if asked.show in ("silent", "learning"):  # only these need every station's last row
        views = room.runner.stations(names)
    if asked.show == "alerts":
        names = [name for name in names if name in active]
    elif asked.show == "out":
        names = [name for name in names if name in counts.out_of_service]
    elif asked.show == "silent":
        names = [name for name in names if _is_silent(room, views.get(name))]
    elif asked.show == "learning":
        names = [name for name in names if name in views and views[name].profile_version is None]
    zones = room.registry.zones()
    if asked.sort == "zone":
        return sorted(names, key=lambda n: (zones[n] is None, zones[n] or "", n))
    if asked.sort == "age":
        seen = room.runner.last_seen()
        return sorted(names, key=lambda n: (seen.get(n) or -1, n))
    if asked.sort == "worst":
        return sorted(names, key=lambda n: (-active[n][0].rank if n in active else 0, n))
    return sorted(names)


def _fits(room: Room, name: str, asked: Asked) -> bool:
    if asked.zone and room.registry.stations[name].zone != asked.zone:
        return False
    text = asked.q.casefold()
    return not text or text in name.casefold() or text in place_text(name).casefold()


def is_old(room: Room, view: StationView) -> bool:
    """Whether the newest reading is overdue by the station's rhythm: it tells of then and not of now."""
    station = room.registry.stations.get(view.station)
    return station is not None and (view.behind_s or 0.0) > old_after_s(station)


def as_heard(room: Room, view: StationView, words: str) -> str:
    """What a station is doing; of one whose readings are overdue nothing is known."""
    is_past = view.regime not in ("no_readings", "silent") and is_old(room, view)
    return "not heard now" if is_past else words


def old_at(room: Room, view: StationView | None) -> int | None:
    """When the newest reading of a station will be overdue [s]; None where there is none."""
    station = None if view is None else room.registry.stations.get(view.station)
    if view is None or view.last_s is None or station is None:
        return None
    return view.last_s + old_after_s(station)


def _is_silent(room: Room, view: StationView | None) -> bool:
    return view is None or view.last_s is None or view.regime == "silent" or is_old(room, view)


def active_by_station(room: Room) -> Active:
    """Alerts that hold now, of every station that has one, worst first.

    What is over and only waits to be acknowledged is left out: it colours no station.
    """
    return _by_station(room, ACTIVE)


def held_by_station(room: Room) -> Active:
    """Alerts that hold and are held back: shelved, suppressed by design, or of a station out of service."""
    found = _by_station(room, HELD)
    still = {name: [view for view in views if view.is_true] for name, views in found.items()}
    return {name: views for name, views in still.items() if views}


def _by_station(room: Room, states: tuple[AlertState, ...]) -> Active:
    found: Active = {}
    for state in states:
        after: str | None = None
        while True:
            page = room.desk.alerts(AlertQuery(state=state, limit=MOST_AT_ONCE, after=after))
            for view in page.items:
                found.setdefault(view.alert.station, []).append(view)
            after = page.next
            if after is None:
                break
    for views in found.values():
        views.sort(key=lambda view: -view.rank)
    return found


def held_lines(views: list[AlertView]) -> tuple[HeldLine, ...]:
    """What is held back, a line each: the condition that stands, and why it calls nobody."""
    return tuple(
        HeldLine(
            f"/alerts/{view.alert.alert_id}",
            state_mark(view.alert.state, view.alert.priority),
            f"{CONDITION_WORDS[view.alert.condition]}, {quiet_word(view.alert.state).lower()}",
        )
        for view in views
    )


def _grouped(room: Room, names: list[str], rows: list[Row], active: Active) -> list[RowGroup]:
    zones = room.registry.zones()
    by_zone: dict[str | None, list[Row]] = {}
    for name, row in zip(names, rows, strict=True):
        by_zone.setdefault(zones[name], []).append(row)
    in_zone = Counter(zones.get(name) for name, views in active.items() for _ in views)
    return [
        RowGroup(
            f"Zone {zone}" if zone else "In no zone",
            _n_alerts(in_zone[zone]) if zone and in_zone[zone] else "",
            tuple(members),
        )
        for zone, members in by_zone.items()
    ]


def _n_alerts(n: int) -> str:
    return f"{n} alert{'' if n == 1 else 's'}"


def _row(
    room: Room,
    name: str,
    view: StationView | None,
    counts: Counts,
    alerts: list[AlertView],
    held: list[AlertView],
) -> Row:
    units = room.registry.settings.units
    is_out = name in counts.out_of_service
    worst = alerts[0] if alerts and not is_out else None
    now = (
        "out of service"
        if is_out
        else "no readings yet"
        if view is None
        else as_heard(room, view, view.words)
    )
    return Row(
        href=f"/stations/{name}",
        place=place_text(name),
        tone="none" if worst is None else worst.alert.priority,
        glyph=sketch(room, view, worst or next(iter(held), None), is_out=is_out),
        now=now,
        mark=None if worst is None else state_mark(worst.alert.state, worst.alert.priority),
        alert_id=None if worst is None else worst.alert.alert_id,
        alert_href="" if worst is None else f"/alerts/{worst.alert.alert_id}",
        alert_words=_alert_words(alerts, counts, name, is_out=is_out),
        outlet=pressure(None if view is None else view.outlet_kpa, units),
        expected=pressure(None if view is None else view.expected_kpa, units),
        inlet=pressure(None if view is None else view.inlet_kpa, units),
        flow=flow(None if view is None else view.flow_lps, units),
        last=perhaps(None if view is None else view.last_s, zone_of(room.registry, name), room.clock()),
        key=f"s-{name}",
        old_at=old_at(room, view),
        held=held_lines(held),
    )


def sketch(room: Room, view: StationView | None, worst: AlertView | None, *, is_out: bool) -> Markup:
    """The sketch of what stands, held back or not; without any, of what is known of the station now."""
    if worst is not None:
        return alert_glyph(worst)
    if view is None or is_out or is_old(room, view):
        return station_glyph(None)
    return station_glyph(view.regime)


def _alert_words(alerts: list[AlertView], counts: Counts, name: str, *, is_out: bool) -> str:
    if is_out or not alerts:
        count = counts.by_station.get(name)
        if count is None:
            return "none"
        if count.held:
            return ""
        return f"{count.standing} over, waiting for a person"
    more = f" and {len(alerts) - 1} more" if len(alerts) > 1 else ""
    return f"{PRIORITY_WORDS[alerts[0].alert.priority]}: {CONDITION_WORDS[alerts[0].alert.condition]}{more}"


def pressure(kpa: float | None, units: UnitSystem) -> str:
    """A pressure with its unit; a dash where there is none."""
    return "–" if kpa is None or kpa != kpa else units.pressure_text(kpa)


def flow(lps: float | None, units: UnitSystem) -> str:
    """A flow with its unit; a dash where there is none."""
    return "–" if lps is None or lps != lps else units.flow_text(lps)
