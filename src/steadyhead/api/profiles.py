"""Learned profiles: which there are, what one says, and learning anew."""

from __future__ import annotations

import threading
from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query
from pydantic import Field
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.paging import LINK_HEADER, link_pages
from steadyhead.api.problems import CONFLICT, INVALID, ProblemError
from steadyhead.api.shapes import Asked, Shape
from steadyhead.api.station_shapes import ProfileWords
from steadyhead.api.stations import check_known
from steadyhead.api.times import When, seconds_or_none
from steadyhead.live.views import Learned
from steadyhead.store.profiles import load_profile

router = APIRouter(prefix="/profiles", tags=["profiles"])
_LEARNING = threading.Lock()
"""Learning takes seconds of a core; one at a time, so that pages and judging go on meanwhile."""

Name = Annotated[str, Path(max_length=64, description="Name of the station.", examples=["harbour_east"])]


class ProfileItem(Shape):
    """Whether a station has a profile."""

    station: str
    version: str | None = Field(description="Null while there is none.")
    learning: str | None = Field(description="How far learning is, where there is no profile.")
    can_learn: bool


class ProfilePage(Shape):
    """One page of stations and their profiles."""

    items: list[ProfileItem]
    next: str | None
    total: int


class LearnAsked(Asked):
    """The span to learn from; left out, what there is."""

    from_at: When | None = Field(default=None, alias="from")
    to_at: When | None = Field(default=None, alias="to")


class ChangeItem(Shape):
    """What differs from the profile before, in words."""

    name: str
    before: str
    after: str


class LearnedAnswer(Shape):
    """The profile now in use, and what differs from the one it replaces."""

    profile: ProfileWords
    replaced: str | None = Field(description="Version of the profile it replaces, which is kept.")
    changes: list[ChangeItem]


@router.get("", summary="List profiles", responses={200: {"headers": LINK_HEADER}, **refusals(*READING)})
def list_profiles(
    request: Request,
    response: Response,
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
    after: Annotated[str | None, Query(max_length=64, description="`next` of the page before.")] = None,
) -> ProfilePage:
    """Which profile each station is judged by."""
    names = sorted(room.registry.stations)
    left = [name for name in names if after is None or name > after]
    chosen = left[:limit]
    cursor = chosen[-1] if len(left) > limit else None
    link_pages(request, response, cursor)
    views = room.runner.stations(chosen)
    items = [
        ProfileItem(
            station=name,
            version=views[name].profile_version,
            learning=None if (learning := views[name].learning) is None else learning.words,
            can_learn=learning is None or learning.can_learn,
        )
        for name in chosen
        if name in views
    ]
    return ProfilePage(items=items, next=cursor, total=len(names))


@router.get("/{name}", summary="Show a profile in words", responses=refusals(404, 409, *READING))
def show_profile(name: Name, room: InRoom, _: Annotated[Actor, Depends(require(Act.READ))]) -> ProfileWords:
    """What was learned of a station, what was not and why. 409 while there is none."""
    check_known(room, name)
    return ProfileWords.of(load_profile(room.profiles, name, room.registry.stations[name].step_s), room)


@router.post("/{name}", summary="Learn a profile", responses=refusals(*CHANGING, 507))
def learn(
    name: Name,
    asked: LearnAsked,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.LEARN))],
) -> LearnedAnswer:
    """Learn from archived readings, put the profile in use and keep the old one. Takes seconds.

    Do it after a repair or an accepted change of set pressure, over a span in which the station worked well.
    """
    check_known(room, name)
    from_s, to_s = seconds_or_none(asked.from_at), seconds_or_none(asked.to_at)
    if from_s is not None and to_s is not None and from_s >= to_s:
        errors = [{"field": "body.from", "message": "is not before `to`"}]
        raise ProblemError(
            INVALID, "body.from: is not before `to`; swap or mend them", more={"errors": errors}
        )
    if not _LEARNING.acquire(blocking=False):
        raise ProblemError(CONFLICT, "another station is being learned; try again in a few seconds")
    try:
        return _told(room.runner.learn(name, from_s, to_s, who=actor.name), room)
    finally:
        _LEARNING.release()


def _told(learned: Learned, room: InRoom) -> LearnedAnswer:
    return LearnedAnswer(
        profile=ProfileWords.of(learned.profile, room),
        replaced=None if learned.replaced is None else learned.replaced.version,
        changes=[
            ChangeItem(name=name, before=before, after=after) for name, before, after in learned.changes
        ],
    )
