"""What goes out to people and programs, for the page of feeds; and the act of having seen to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.api.notifications import WHAT_TO_DO, Outgoing, outgoing, see
from steadyhead.errors import DatabaseError
from steadyhead.live.room import Room
from steadyhead.notify.state import ChannelState, Undelivered
from steadyhead.web.moments import Moment, moment, perhaps
from steadyhead.web.words import place_text

router = APIRouter(include_in_schema=False)

MOST_LOST = 50
WAY_WORDS = {"mqtt": "MQTT broker", "influxdb": "InfluxDB", "opcua": "OPC UA server"}
CHANGE_WORDS = {
    "raised": "raised",
    "priority_raised": "became more urgent",
    "not_acknowledged": "not acknowledged in time",
    "cleared": "over",
}


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel and how its messages fare."""

    name: str
    words: str
    is_bad: bool
    last_sent: Moment | None
    sent: str
    waiting: str
    given_up: str
    error: str


@dataclass(frozen=True, slots=True)
class Lost:
    """A message that was given up."""

    at: Moment
    channel: str
    href: str
    place: str
    change: str
    tries: int
    why: str


@dataclass(frozen=True, slots=True)
class Shown:
    """The part of the page; ``unseen`` in words, empty while nothing is."""

    channels: tuple[Channel, ...] = ()
    lost: tuple[Lost, ...] = ()
    ways: tuple[tuple[str, str | None], ...] = ()
    unseen: str = ""
    what_to_do: str = ""
    looked: str = ""
    may_see_to: bool = False


def shown(room: Room, actor: Actor) -> Shown:
    """What goes out now; empty while the database is gone, which the page says at its top."""
    try:
        found = outgoing(room, MOST_LOST)
    except DatabaseError:
        return Shown()
    now_s = room.clock()
    return Shown(
        channels=tuple(_channel(state, now_s) for state in found.channels),
        lost=tuple(_lost(one, now_s) for one in found.given_up),
        ways=tuple((WAY_WORDS[way.name], way.error) for way in found.ways),
        unseen=unseen_words(found.unseen),
        what_to_do=WHAT_TO_DO.replace("`", ""),
        looked=_looked(found, now_s),
        may_see_to=bool(found.unseen) and may(actor, Act.ACKNOWLEDGE),
    )


def unseen_words(n: int) -> str:
    """How many messages were given up and nobody has seen to; empty for none."""
    if n == 0:
        return ""
    return f"{n} message{' about an alert was' if n == 1 else 's about alerts were'} given up"


@router.post("/feeds/given-up/seen")
def seen(request: Request, actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))]) -> Response:
    """Somebody has told those who were not reached."""
    see(room_of(request), actor.name)
    return RedirectResponse("/feeds?said=seen_to", 303)


def _channel(state: ChannelState, now_s: float) -> Channel:
    has_failed = state.last_error is not None and state.sent == 0
    return Channel(
        name=state.channel,
        words=(
            "does not take messages"
            if state.failing
            else "took nothing since it failed"
            if has_failed
            else "works"
        ),
        is_bad=state.failing > 0 or has_failed,
        last_sent=perhaps(state.last_sent_s, "UTC", now_s),
        sent=str(state.sent),
        waiting=str(state.waiting),
        given_up=str(state.gave_up),
        error=state.last_error or "",
    )


def _lost(one: Undelivered, now_s: float) -> Lost:
    return Lost(
        at=moment(one.gave_up_s, "UTC", now_s),
        channel=one.channel,
        href=f"/alerts/{one.alert_id}",
        place=place_text(one.station),
        change=CHANGE_WORDS.get(one.change, one.change.replace("_", " ")),
        tries=one.tries,
        why=one.why,
    )


def _looked(found: Outgoing, now_s: float) -> str:
    if found.looked is None:
        return ""
    return f"Last seen to by {found.looked.who}, {moment(found.looked.at_s, 'UTC', now_s).text}."
