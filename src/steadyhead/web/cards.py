"""An alert made ready for a page: every word and mark of it, worked out once."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from steadyhead.alerts.model import AlertState
from steadyhead.config import Registry
from steadyhead.desk.views import AlertView
from steadyhead.errors import DatabaseError, NotFoundError
from steadyhead.live.room import Room
from steadyhead.types import Condition
from steadyhead.web.glyphs import condition_glyph, state_mark
from steadyhead.web.moments import Moment, moment
from steadyhead.web.words import (
    CONDITION_WORDS,
    PRIORITY_WORDS,
    STATE_WORDS,
    ago_text,
    headline,
    place_text,
    sure_words,
)

ACTIVE: tuple[AlertState, ...] = ("active_unacknowledged", "active_acknowledged")


@dataclass(frozen=True, slots=True)
class AlertCard:
    """One alert in words. ``tone`` is the priority, or "none" where nobody has to come: then no colour."""

    alert_id: str
    href: str
    station_href: str
    station: str
    place: str
    zone: str | None
    condition: Condition
    condition_words: str
    headline: str
    tone: str
    tag: str
    priority_words: str
    state: AlertState
    state_words: str
    is_open: bool
    mark: Markup
    glyph: Markup
    since: Moment
    last: Moment
    sure: str
    first_check: str | None
    first_hint: str | None
    note: str | None


def zone_of(registry: Registry, station: str) -> str:
    """The station's time zone; UTC for a station that is no longer in the registry."""
    described = registry.stations.get(station)
    return "UTC" if described is None else described.time_zone


def name_of(room: Room, alert_id: str) -> str:
    """An alert by station and condition, for sentences about it."""
    try:
        alert = room.desk.alert(alert_id).alert
    except (NotFoundError, DatabaseError):
        return f"alert {alert_id}"
    return f"{place_text(alert.station)}, {CONDITION_WORDS[alert.condition]}"


def card(view: AlertView, registry: Registry, now_s: float) -> AlertCard:
    """The card of one alert."""
    alert = view.alert
    zone = zone_of(registry, alert.station)
    is_active = alert.state in ACTIVE
    first = alert.field_checks[0] if alert.field_checks else None
    return AlertCard(
        alert_id=alert.alert_id,
        href=f"/alerts/{alert.alert_id}",
        station_href=f"/stations/{alert.station}",
        station=alert.station,
        place=place_text(alert.station),
        zone=view.zone,
        condition=alert.condition,
        condition_words=CONDITION_WORDS[alert.condition],
        headline=headline(alert.condition, alert.magnitude, dict(view.traits), registry.settings.units),
        tone=alert.priority if is_active else "none",
        tag=PRIORITY_WORDS[alert.priority] if is_active else quiet_word(alert.state),
        priority_words=PRIORITY_WORDS[alert.priority],
        state=alert.state,
        state_words=_state_words(view, now_s),
        is_open=alert.state == "active_unacknowledged",
        mark=state_mark(alert.state, alert.priority),
        glyph=alert_glyph(view),
        since=moment(view.began_s, zone, now_s),
        last=moment(view.ended_s or view.updated_s, zone, now_s),
        sure=sure_words(alert.confidence),
        first_check=first.text if first and is_active else None,
        first_hint=first.hint if first and is_active else None,
        note=_note(view, zone, now_s),
    )


def alert_glyph(view: AlertView) -> Markup:
    """The sketch of what the station does, turned the way the outlet went."""
    moved = view.alert.magnitude.get("departure_kpa", view.alert.magnitude.get("step_kpa", 0.0))
    went_down = view.traits.get("direction") == "down" or moved < 0
    return condition_glyph(view.alert.condition, is_down=went_down)


def quiet_word(state: AlertState) -> str:
    """Why an alert calls nobody."""
    return {
        "shelved": "Shelved",
        "suppressed_by_design": "Suppressed",
        "out_of_service": "Out of service",
    }.get(state, "Over")


def _state_words(view: AlertView, now_s: float) -> str:
    state = view.alert.state
    words = STATE_WORDS[state]
    if state == "active_acknowledged" and view.acknowledged_by:
        when = "" if view.acknowledged_s is None else f", {ago_text(view.acknowledged_s, now_s)}"
        return f"{words} by {view.acknowledged_by}{when}"
    return words


def _note(view: AlertView, zone: str, now_s: float) -> str | None:
    if view.alert.state == "shelved" and view.shelved_until_s is not None:
        until = moment(view.shelved_until_s, zone, now_s)
        return f"until {until.text}: {view.shelve_why or 'no reason given'}"
    return view.held_why


@dataclass(frozen=True, slots=True)
class Bundle:
    """Several alerts that are over, of one condition at one station, in one line."""

    alert_id: str
    href: str
    place: str
    condition_words: str
    mark: Markup
    n: int
    words: str
    last: Moment
    ids: str
    tag: str


def bundles(cards: list[AlertCard]) -> list[Bundle]:
    """Cards of one station and condition put together, newest first; the newest gives mark and link."""
    grouped: dict[tuple[str, str], list[AlertCard]] = {}
    for item in sorted(cards, key=lambda c: -c.last.epoch_s):
        grouped.setdefault((item.station, item.condition), []).append(item)
    return [
        Bundle(
            alert_id=group[0].alert_id,
            href=group[0].href if len(group) == 1 else f"{group[0].station_href}#story",
            place=group[0].place,
            condition_words=group[0].condition_words,
            mark=group[0].mark,
            n=len(group),
            words="last over" if len(group) > 1 else "over",
            last=group[0].last,
            ids=",".join(item.alert_id for item in group),
            tag=group[0].priority_words,
        )
        for group in grouped.values()
    ]
