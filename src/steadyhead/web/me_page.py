"""One's own access: where one is signed in, each with a button that ends it, and the change of password."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.accounts import slow_down_passwords
from steadyhead.api.context import room_of
from steadyhead.api.guards import require, session_secret
from steadyhead.api.problems import NOT_ALLOWED, ProblemError
from steadyhead.web.frame import render
from steadyhead.web.moments import Moment, moment

router = APIRouter(include_in_schema=False)
Oneself = Annotated[Actor, Depends(require(Act.SELF))]
Secret = Annotated[str, Form(max_length=200)]


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
    """One's sessions and password."""
    room, secret = room_of(request), session_secret(request)
    if secret is None:
        raise ProblemError(NOT_ALLOWED, f'"{actor.name}" is a token, which has no sessions')
    now_s = room.clock()
    found = [
        Signed(
            one.number,
            moment(one.created_s, "UTC", now_s),
            moment(one.seen_s, "UTC", now_s),
            moment(one.expires_s, "UTC", now_s),
            one.is_this,
        )
        for one in room.accounts.sessions.of(actor.name, secret)
    ]
    return render(
        request,
        "me.html",
        actor=actor,
        sessions=found,
        idle_minutes=f"{room.settings.access.idle_minutes:g}",
    )


@router.post("/me/sessions/{number}/end")
def end(request: Request, number: str, actor: Oneself) -> Response:
    """Sign out there."""
    room_of(request).accounts.end_session(actor.name, number)
    return RedirectResponse("/me?said=session_ended", 303)


@router.post("/me/password")
def change_password(request: Request, actor: Oneself, old: Secret, new: Secret) -> Response:
    """Change it with the old one; all sessions end, so the next page is the form to sign in."""
    slow_down_passwords(request)
    room_of(request).accounts.change_password(actor.name, old, new)
    return RedirectResponse("/login", 303)
