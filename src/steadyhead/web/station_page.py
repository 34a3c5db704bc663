"""One station: how it does now, its readings from years to seconds, what was learned, what happened to it."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.config.model import Station
from steadyhead.desk.ranking import HELD
from steadyhead.desk.views import AlertView, Count, OutageView
from steadyhead.errors import DeskError, NotFoundError, ProfileError
from steadyhead.live.room import Room
from steadyhead.live.views import StationView
from steadyhead.profile.model import Profile, from_json
from steadyhead.report.learned import changed_facts, learned_facts, withheld_facts
from steadyhead.store.profiles import REPLACED, load_profile
from steadyhead.web.alert_page import FIGURES, SUPPRESS_TIMES, Figure, Finding, finding, told
from steadyhead.web.cards import ACTIVE, card, quiet_word
from steadyhead.web.fleet import flow, held_lines, is_old, old_at, pressure, sketch
from steadyhead.web.frame import render
from steadyhead.web.moments import Moment, from_local_input, local_input_text, moment, perhaps
from steadyhead.web.panels import DAY_S, alerts_of, series_panel
from steadyhead.web.words import CONDITION_WORDS, headline, place_text

router = APIRouter(include_in_schema=False)
Viewer = Annotated[Actor, Depends(require(Act.READ))]
TakesOut = Annotated[Actor, Depends(require(Act.TAKE_OUT_OF_SERVICE))]
Text = Annotated[str, Form(max_length=2000)]

_learning = threading.Lock()  # learning takes a whole core for seconds: one at a time leaves the pages theirs
LEARN_DAYS = 21  # offered to learn again from; three weeks show every hour of the week three times
MOST_OLDER = 10  # replaced profiles shown
OUT_TIMES = SUPPRESS_TIMES


@dataclass(frozen=True, slots=True)
class Older:
    """A profile that was replaced, and what differs from the one after it."""

    title: str
    changes: list[tuple[str, str, str]]


@dataclass(frozen=True, slots=True)
class Outage:
    """Why the station is out of service."""

    since: Moment
    until: Moment | None
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Suppression:
    """A suppression that covers this station."""

    id: int
    words: str
    who: str
    why: str
    until: Moment | None


@dataclass(frozen=True, slots=True)
class FoundHere:
    """A finding with the alert it belongs to."""

    finding: Finding
    alert_href: str | None


def station_of(room: Room, name: str) -> Station:
    """The station of that name. Raises NotFoundError."""
    station = room.registry.stations.get(name)
    if station is None:
        raise NotFoundError(f'there is no station "{name}" in the registry; see the list of stations')
    return station


@router.get("/stations/{name}")
def station(request: Request, name: str, actor: Viewer) -> Response:
    """Everything about one station."""
    room = room_of(request)
    described = station_of(room, name)
    return render(
        request,
        "station.html",
        actor=actor,
        **_now(room, described),
        **_learned(room, described, actor),
        **_service(room, described, actor),
        **_past(room, described, actor),
    )


def _now(room: Room, described: Station) -> dict[str, Any]:
    name = described.name
    view = room.runner.stations([name]).get(name)
    count = room.desk.counts().by_station.get(name, Count())
    outage = next((o for o in room.desk.outages() if o.station == name), None)
    alerts = alerts_of(room, name)
    standing = [v for v in alerts if v.alert.state in ACTIVE]
    held = sorted((v for v in alerts if v.alert.state in HELD and v.is_true), key=lambda v: -v.rank)
    past = [v for v in alerts if v.alert.state not in ACTIVE and v not in held]
    worst = max(standing, key=lambda v: v.rank, default=None)
    return {
        "href": f"/stations/{name}",
        "place": place_text(name),
        "zone": described.zone,
        "zone_name": described.time_zone,
        "tone": "none" if worst is None else worst.alert.priority,
        "glyph": sketch(room, view, worst or next(iter(held), None), is_out=outage is not None),
        "now_words": _now_words(room, view, worst, held, is_out=outage is not None),
        "held_lines": held_lines(held),
        "held_cards": [card(v, room.registry, room.clock()) for v in held],
        "figures": _figures(room, described, view, count),
        "standing": [card(v, room.registry, room.clock()) for v in sorted(standing, key=lambda v: -v.rank)],
        "series": series_panel(room, described, None, alerts),
        "nights_url": f"/stations/{name}/nights",
        "figure_kinds": FIGURES if "flow" in described.tags else FIGURES[2:],
        "past": [card(v, room.registry, room.clock()) for v in past],
    }


def _now_words(
    room: Room, view: StationView | None, worst: AlertView | None, held: list[AlertView], *, is_out: bool
) -> str:
    """What follows the station's name: what stands, held back or not, before what the readings look like."""
    units = room.registry.settings.units
    stands = [headline(v.alert.condition, v.alert.magnitude, dict(v.traits), units) for v in held[:1]]
    if is_out:
        return "; ".join(["is out of service", *stands])
    if worst is not None:
        return headline(worst.alert.condition, worst.alert.magnitude, dict(worst.traits), units)
    if held:
        return f"{stands[0]} ({quiet_word(held[0].alert.state).lower()})"
    if view is None:
        return "has no readings yet"
    if is_old(room, view):
        return "is not heard now"
    words = {"regulating": "holds its set", "silent": "is silent", "shut": "is shut, no water flows"}
    return words.get(view.regime, f"is {view.words}" if view.regime == "wide_open" else view.words)


def _figures(room: Room, described: Station, view: StationView | None, count: Count) -> list[Figure]:
    units = room.registry.settings.units
    last = perhaps(None if view is None else view.last_s, described.time_zone, room.clock())
    overdue = old_at(room, view)
    found = [
        Figure("Outlet", pressure(None if view is None else view.outlet_kpa, units), last, overdue),
        Figure("Expected", pressure(None if view is None else view.expected_kpa, units), last, overdue),
    ]
    if "inlet" in described.tags:
        inlet_kpa = None if view is None else view.inlet_kpa
        found.append(Figure("Inlet", pressure(inlet_kpa, units), last, overdue))
    if "flow" in described.tags:
        found.append(Figure("Flow", flow(None if view is None else view.flow_lps, units), last, overdue))
    found.append(Figure("Last reading", "never" if last is None else last.text, last, overdue))
    found.append(Figure("Alerts standing", str(count.standing)))
    if count.held:
        found.append(Figure("Held back", str(count.held)))
    found.append(Figure("Station's name", described.name))
    return found


def _learned(room: Room, described: Station, actor: Actor) -> dict[str, Any]:
    units = room.registry.settings.units
    profile, why_not = _profile(room, described)
    view = room.runner.stations([described.name]).get(described.name)
    extent = room.archive.extent(described.name)
    to_s = int(room.clock()) if extent is None else extent[1]
    from_s = to_s - LEARN_DAYS * DAY_S if extent is None else max(extent[0], to_s - LEARN_DAYS * DAY_S)
    learning = None if view is None else view.learning
    return {
        "facts": [] if profile is None else learned_facts(profile, units),
        "withheld": [] if profile is None else withheld_facts(profile),
        "remarks": () if profile is None else profile.remarks,
        "profile_version": "" if profile is None else profile.version,
        "learning_words": (learning.words if learning is not None else why_not)[:1].upper()
        + (learning.words if learning is not None else why_not)[1:],
        "older": [] if profile is None else _older(room, profile),
        "may_learn": may(actor, Act.LEARN) and extent is not None,
        "learn_from": local_input_text(from_s, described.time_zone),
        "learn_to": local_input_text(to_s, described.time_zone),
    }


def _profile(room: Room, described: Station) -> tuple[Profile | None, str]:
    try:
        return load_profile(room.profiles, described.name, described.step_s), ""
    except ProfileError as exc:
        return None, str(exc)


def _older(room: Room, profile: Profile) -> list[Older]:
    """Replaced profiles, the last one first, each beside the one that came after it."""
    paths = sorted((room.profiles / REPLACED).glob(f"{profile.station}-*.json"), key=_age, reverse=True)
    found = []
    after = profile
    for path in paths[:MOST_OLDER]:
        try:
            old = from_json(path.read_text(encoding="utf-8"), str(path))
        except (ProfileError, OSError, UnicodeDecodeError):
            continue  # an unreadable one is kept on disk, but there is nothing to show of it
        if old.station != profile.station:
            continue  # "elm-1" also finds "elm"
        days = (old.to_s - old.from_s) / DAY_S
        found.append(
            Older(
                f"Profile {old.version}, learned from {days:.3g} days",
                changed_facts(old, after, _units(room)),
            )
        )
        after = old
    return found


def _age(path: Path) -> float:
    return path.stat().st_mtime


def _units(room: Room) -> Any:
    return room.registry.settings.units


def _service(room: Room, described: Station, actor: Actor) -> dict[str, Any]:
    zone, now_s = described.time_zone, room.clock()
    outage = next((o for o in room.desk.outages() if o.station == described.name), None)
    return {
        "outage": None if outage is None else _outage(outage, zone, now_s),
        "suppressions": [
            Suppression(
                s.id,
                CONDITION_WORDS.get(s.condition, s.condition) if s.condition else "every condition",  # type: ignore[call-overload]
                s.who,
                s.why,
                perhaps(s.until_s, zone, now_s),
            )
            for s in room.desk.suppressions()
            if s.station in (None, described.name) and s.zone in (None, described.zone)
        ],
        "may_take_out": may(actor, Act.TAKE_OUT_OF_SERVICE),
        "may_suppress": may(actor, Act.SUPPRESS),
        "out_times": OUT_TIMES,
    }


def _outage(view: OutageView, zone: str, now_s: float) -> Outage:
    return Outage(moment(view.since_s, zone, now_s), perhaps(view.until_s, zone, now_s), view.who, view.why)


def _past(room: Room, described: Station, actor: Actor) -> dict[str, Any]:
    zone, now_s = described.time_zone, room.clock()
    return {
        "findings": [
            FoundHere(finding(f, zone, now_s, actor), f"/alerts/{f.alert_id}" if f.alert_id else None)
            for f in room.desk.findings(described.name)
        ],
        "history": [told(line, zone, now_s) for line in room.desk.history(station=described.name, limit=100)],
    }


@router.post("/stations/{name}/out")
def take_out(
    request: Request,
    name: str,
    actor: TakesOut,
    until: Annotated[int, Form(ge=0, le=400 * DAY_S)],
    why: Text = "",
) -> Response:
    """Take the station out of service."""
    room = room_of(request)
    station_of(room, name)
    room.desk.out_of_service(name, actor.name, why.strip(), int(room.clock()) + until if until else None)
    return RedirectResponse(f"/stations/{name}?said=out", 303)


@router.post("/stations/{name}/return")
def put_back(request: Request, name: str, actor: TakesOut) -> Response:
    """Return it to service."""
    room_of(request).desk.return_to_service(name, actor.name)
    return RedirectResponse(f"/stations/{name}?said=returned", 303)


@router.post("/stations/{name}/release/{suppression_id}")
def release(
    request: Request, name: str, suppression_id: int, actor: Annotated[Actor, Depends(require(Act.SUPPRESS))]
) -> Response:
    """Release a suppression by design."""
    room_of(request).desk.release(suppression_id, actor.name)
    return RedirectResponse(f"/stations/{name}?said=released", 303)


@router.post("/stations/{name}/learn")
def learn(
    request: Request,
    name: str,
    actor: Annotated[Actor, Depends(require(Act.LEARN))],
    from_at: Annotated[str, Form(max_length=40)],
    to_at: Annotated[str, Form(max_length=40)],
) -> Response:
    """Learn the station from the days given; the profile in use is kept."""
    room = room_of(request)
    zone = station_of(room, name).time_zone
    from_s, to_s = from_local_input(from_at, zone), from_local_input(to_at, zone)
    for at, text, word in ((from_s, from_at, "first"), (to_s, to_at, "last")):
        if at is None:
            raise DeskError(f'the {word} time, "{text}", cannot be read; give a day and a time of day')
    if from_s is None or to_s is None or from_s >= to_s:
        raise DeskError("the last time is not after the first; give the earlier one first")
    if from_s > room.clock():
        raise DeskError("the first time lies in the future; choose days that have been")
    if not _learning.acquire(blocking=False):
        raise DeskError("another station is being learned; try again in a few seconds")
    try:
        room.runner.learn(name, from_s, to_s, who=actor.name)
    finally:
        _learning.release()
    return RedirectResponse(f"/stations/{name}?said=learned#learned", 303)
