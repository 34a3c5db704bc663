"""All that is held back: what is shelved, suppressed by design or out of service, by whom and until when."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.ranking import HELD
from steadyhead.desk.views import AlertQuery, AlertView, OutageView, SuppressionView
from steadyhead.live.room import Room
from steadyhead.web.cards import alert_glyph, quiet_word, zone_of
from steadyhead.web.frame import render, utility_zone
from steadyhead.web.glyphs import state_mark
from steadyhead.web.moments import Moment, perhaps
from steadyhead.web.words import CONDITION_WORDS, PRIORITY_WORDS, headline, place_text

router = APIRouter(include_in_schema=False)
MOST = 500


@dataclass(frozen=True, slots=True)
class Held:
    """One thing that is held back. still : whether the condition is there now; until : None if open."""

    key: str
    href: str
    place: str
    words: str
    kind: str
    priority: str
    is_there: bool
    glyph: Markup | None
    mark: Markup
    who: str
    why: str
    until: Moment | None


@router.get("/held")
def held(request: Request, actor: Annotated[Actor, Depends(require(Act.READ))]) -> Response:
    """The page."""
    room = room_of(request)
    outages, made = room.desk.outages(), room.desk.suppressions()
    views = [v for state in HELD for v in room.desk.alerts(AlertQuery(state=state, limit=MOST)).items]
    views.sort(key=lambda v: (not v.is_true, -v.rank))
    alerts = [_alert(room, view, outages, made) for view in views]
    rules = [*(_outage(room, one) for one in outages), *(_suppression(room, one) for one in made)]
    n = sum(item.is_there for item in alerts)
    said = f"{n} alert{' is' if n == 1 else 's are'} held back while the condition is there"
    return render(request, "held.html", actor=actor, call=said if n else "Nothing that is there is held back",
                  alerts=alerts, rules=rules)  # fmt: skip


def _alert(room: Room, view: AlertView, outages: list[OutageView], made: list[SuppressionView]) -> Held:
    alert, units = view.alert, room.registry.settings.units
    who, why, until_s = "", view.held_why or "", view.shelved_until_s
    if alert.state == "shelved":
        lines = room.desk.history(alert.alert_id, limit=50)
        who = next((line.who for line in lines if line.to_state == "shelved"), "")
        why = view.shelve_why or "no reason given"
    elif alert.state == "out_of_service":
        for out in outages:
            if out.station == alert.station:
                who, why, until_s = out.who, out.why, out.until_s
    else:
        until_s = None
        for one in made:
            wanted = ((one.station, alert.station), (one.zone, view.zone), (one.condition, alert.condition))
            if all(rule is None or rule == has for rule, has in wanted):
                who, why, until_s = one.who, one.why, one.until_s
    return Held(
        key=f"h-{alert.alert_id}",
        href=f"/alerts/{alert.alert_id}",
        place=place_text(alert.station),
        words=headline(alert.condition, alert.magnitude, dict(view.traits), units),
        kind=quiet_word(alert.state),
        priority=PRIORITY_WORDS[alert.priority],
        is_there=view.is_true,
        glyph=alert_glyph(view),
        mark=state_mark(alert.state, alert.priority),
        who=who,
        why=why,
        until=perhaps(until_s, zone_of(room.registry, alert.station), room.clock()),
    )


def _outage(room: Room, one: OutageView) -> Held:
    return Held(
        key=f"o-{one.station}", href=f"/stations/{one.station}", place=place_text(one.station),
        words="every alert of the station", kind="Out of service", priority="", is_there=True, glyph=None,
        mark=state_mark("out_of_service", "low"), who=one.who, why=one.why,
        until=perhaps(one.until_s, zone_of(room.registry, one.station), room.clock()),
    )  # fmt: skip


def _suppression(room: Room, one: SuppressionView) -> Held:
    what = "every condition" if one.condition is None else CONDITION_WORDS[one.condition]  # type: ignore[index]
    place = place_text(one.station) if one.station else f"zone {one.zone}" if one.zone else "every station"
    zone = zone_of(room.registry, one.station) if one.station else utility_zone(room)
    return Held(
        key=f"s-{one.id}", href=f"/stations/{one.station}" if one.station else "/stations", place=place,
        words=what, kind="Suppressed", priority="", is_there=True, glyph=None,
        mark=state_mark("suppressed_by_design", "low"), who=one.who, why=one.why,
        until=perhaps(one.until_s, zone, room.clock()),
    )  # fmt: skip
