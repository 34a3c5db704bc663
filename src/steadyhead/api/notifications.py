"""Messages about alerts on their way out: what waits, what was given up, and which way out is in trouble."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import InRoom
from steadyhead.api.docs import READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.shapes import Shape
from steadyhead.api.times import stamp, stamp_or_none
from steadyhead.live.room import Room
from steadyhead.notify.state import (
    ChannelState,
    Looked,
    Undelivered,
    channel_states,
    last_look,
    set_seen,
    undelivered,
    unseen,
)

router = APIRouter(prefix="/notifications", tags=["notifications"])
WAYS = ("mqtt", "influxdb", "opcua")
WHAT_TO_DO = (
    "Whoever should have been told by these channels was not. Open each alert and tell them yourself; mend "
    "the channel and try it with `steadyhead notify test`; then say that it has been seen to."
)


@dataclass(frozen=True, slots=True)
class Way:
    """One way to other programs; ``error`` is None while it works."""

    name: str
    error: str | None


@dataclass(frozen=True, slots=True)
class Outgoing:
    """Everything that leaves the house, at one moment.

    unseen : messages given up since somebody looked last; given_up : the latest of all
    """

    channels: tuple[ChannelState, ...]
    given_up: tuple[Undelivered, ...]
    unseen: int
    looked: Looked | None
    ways: tuple[Way, ...]


def outgoing(room: Room, limit: int = 100) -> Outgoing:
    """How notifications and other programs' feeds are doing. Raises DatabaseError."""
    with room.database.reading() as session:
        return Outgoing(
            channels=tuple(channel_states(session, int(room.clock()), tuple(room.settings.notify.channels))),
            given_up=tuple(undelivered(session, limit)) if limit else (),
            unseen=unseen(session),
            looked=last_look(session),
            ways=ways(room),
        )


def ways(room: Room) -> tuple[Way, ...]:
    """The ways to other programs that are set, and what is wrong with each."""
    settings, errors = room.settings.alerts_out, dict(room.outward.errors)
    wanted = [name for name in WAYS if getattr(settings, name, None) is not None]
    return tuple(Way(name, errors.get(name)) for name in wanted)


class ChannelItem(Shape):
    """A channel and its messages; one that stands for several counts as these."""

    channel: str
    sent: int = Field(description="In the last 24 hours.")
    waiting: int = Field(description="Not sent yet.")
    failing: int = Field(description="Of these, tried at least once.")
    planned: int = Field(description="Of those waiting, not due yet.")
    given_up: int = Field(description="Not tried any more, since the database was made.")
    oldest_due_at: str | None
    last_sent_at: str | None
    last_error: str | None


class GivenUpItem(Shape):
    """A message that was given up: what it would have told, and why it could not."""

    channel: str
    alert_id: str
    station: str
    change: str = Field(examples=["raised"])
    made_at: str
    given_up_at: str
    tries: int
    why: str


class WayItem(Shape):
    """A way to other programs, such as an MQTT broker."""

    way: str = Field(examples=["mqtt"])
    works: bool
    error: str | None


class NotificationsAnswer(Shape):
    """What goes out, and what could not."""

    channels: list[ChannelItem]
    given_up: list[GivenUpItem] = Field(description="Latest first.")
    given_up_unseen: int = Field(description="Given up since somebody last saw to them.")
    seen_by: str | None
    seen_at: str | None
    what_to_do: str | None = Field(description="Null while nothing is unseen.")
    out: list[WayItem] = Field(description="Ways to other programs that are set.")

    @classmethod
    def of(cls, found: Outgoing) -> NotificationsAnswer:
        """From what was read."""
        return cls(
            channels=[_channel(state) for state in found.channels],
            given_up=_given_up(found.given_up),
            given_up_unseen=found.unseen,
            seen_by=None if found.looked is None else found.looked.who,
            seen_at=None if found.looked is None else stamp(found.looked.at_s),
            what_to_do=WHAT_TO_DO if found.unseen else None,
            out=[WayItem(way=way.name, works=way.error is None, error=way.error) for way in found.ways],
        )


class SeenAnswer(Shape):
    """How many messages were unseen until now."""

    seen: int


@router.get("", summary="Show what goes out to people and programs", responses=refusals(*READING))
def show(
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    limit: Annotated[int, Query(ge=1, le=1000, description="Most messages given up to list.")] = 100,
) -> NotificationsAnswer:
    """Each channel with its messages, what was given up, and whether other programs can be told."""
    return NotificationsAnswer.of(outgoing(room, limit))


@router.post("/seen", summary="Say that messages given up were seen to", responses=refusals(400, *READING))
def seen(room: InRoom, actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))]) -> SeenAnswer:
    """Those who should have been told were told otherwise. Who said so is kept; the messages stay listed."""
    return SeenAnswer(seen=see(room, actor.name))


def see(room: Room, who: str) -> int:
    """Write down that what was given up has been seen to. Raises DatabaseError."""
    with room.database.session() as session:
        return set_seen(session, who, int(room.clock()))


def _channel(state: ChannelState) -> ChannelItem:
    return ChannelItem(
        channel=state.channel,
        sent=state.sent,
        waiting=state.waiting,
        failing=state.failing,
        planned=state.planned,
        given_up=state.gave_up,
        oldest_due_at=stamp_or_none(state.oldest_due_s),
        last_sent_at=stamp_or_none(state.last_sent_s),
        last_error=state.last_error,
    )


def _given_up(messages: Sequence[Undelivered]) -> list[GivenUpItem]:
    return [
        GivenUpItem(
            channel=one.channel,
            alert_id=one.alert_id,
            station=one.station,
            change=one.change,
            made_at=stamp(one.made_s),
            given_up_at=stamp(one.gave_up_s),
            tries=one.tries,
            why=one.why,
        )
        for one in messages
    ]
