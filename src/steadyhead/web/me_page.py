"""One's own access: where one is signed in, what happened to the account, password and second factor."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.guards import require, session_secret
from steadyhead.api.problems import NOT_ALLOWED, ProblemError
from steadyhead.web.arrivals import sentences
from steadyhead.web.frame import render, utility_zone
from steadyhead.web.moments import Moment, moment

router = APIRouter(include_in_schema=False)
Oneself = Annotated[Actor, Depends(require(Act.SELF))]


@dataclass(frozen=True, slots=True)
class Signed:
    """A session; ``is_this`` is the one that looks."""

    number: str
    created: Moment
    seen: Moment
    expires: Moment
    is_this: bool


@router.get("/me")
def me(request: Request, actor: Oneself) -> Response:
    """One's sessions, what happened to the account, password and second factor."""
    room, secret = room_of(request), session_secret(request)
    if secret is None:
        raise ProblemError(NOT_ALLOWED, f'"{actor.name}" is a token, which has no sessions')
    now_s, zone = room.clock(), utility_zone(room)
    found = [
        Signed(
            one.number,
            moment(one.created_s, zone, now_s),
            moment(one.seen_s, zone, now_s),
            moment(one.expires_s, zone, now_s),
            one.is_this,
        )
        for one in room.accounts.sessions.of(actor.name, secret)
    ]
    return render(
        request,
        "me.html",
        actor=actor,
        sessions=found,
        happened=sentences(room.accounts.notices(actor.name, secret), actor.name, zone, now_s),
        has_factor=room.accounts.account(actor.name).has_factor,
        idle_minutes=f"{room.settings.access.idle_minutes:g}",
    )


@router.post("/me/sessions/{number}/end")
def end(request: Request, number: str, actor: Oneself) -> Response:
    """Sign out there."""
    room_of(request).accounts.end_session(actor.name, number)
    return RedirectResponse("/me?said=session_ended", 303)
