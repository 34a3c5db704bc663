"""Help, light or dark, and the page that shows every element side by side for our own looking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.alerts.lifecycle import STATES
from steadyhead.alerts.model import PRIORITIES, AlertState, Priority
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.api.redirects import safe_next
from steadyhead.types import CONDITIONS
from steadyhead.web.frame import LOOK_COOKIE, render
from steadyhead.web.glyphs import condition_glyph, priority_mark, state_mark
from steadyhead.web.words import CONDITION_WORDS, PRIORITY_WORDS, STATE_WORDS

router = APIRouter(include_in_schema=False)
YEAR_S = 365 * 86_400

_PRIORITY_TEXT: dict[Priority, str] = {
    "high": "people or customers are hit soon if nobody acts",
    "medium": "it gets worse, or the next trouble would find no reserve",
    "low": "to be known, and seen to when somebody is there anyway",
}
_STATE_TEXT: dict[AlertState, str] = {
    "normal": "the condition is over and was acknowledged",
    "active_unacknowledged": "it holds, and nobody has answered yet",
    "active_acknowledged": "it holds, and somebody has taken it on",
    "returned_unacknowledged": "it is over, but nobody has answered; acknowledge it to let it go",
    "latched_unacknowledged": "it is over, but stays until somebody resets it",
    "latched_acknowledged": "it is over, was answered, and stays until somebody resets it",
    "shelved": "an operator has put it aside until a stated time",
    "suppressed_by_design": "an engineer has said that it means nothing in this way of running",
    "out_of_service": "the station is being worked on",
}


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark, its word and what it means."""

    mark: Markup
    tone: str
    word: str
    text: str


@dataclass(frozen=True, slots=True)
class ConditionHelp:
    """A condition as the knowledge file tells it."""

    name: str
    glyph: Markup
    title: str
    words: str
    meaning: str
    priority: str
    causes: tuple[str, ...]
    checks: tuple[str, ...]


@router.get("/help")
def show_help(request: Request, actor: Annotated[Actor, Depends(require(Act.READ))]) -> Response:
    """What the words and marks mean."""
    knowledge = room_of(request).knowledge
    marks = [
        Mark(priority_mark(p, is_open=is_open), p, f"{PRIORITY_WORDS[p]}, {word}", _PRIORITY_TEXT[p])
        for p in reversed(PRIORITIES)
        for is_open, word in ((True, "not acknowledged"), (False, "acknowledged"))
    ]
    marks += [
        Mark(state_mark(state, "high"), "none", STATE_WORDS[state], _STATE_TEXT[state])
        for state in STATES
        if not state.startswith("active")
    ]
    conditions = [
        ConditionHelp(
            name=name,
            glyph=condition_glyph(name),
            title=entry.title,
            words=CONDITION_WORDS[name],
            meaning=entry.meaning,
            priority=PRIORITY_WORDS[entry.priority],
            causes=tuple(dict.fromkeys(cause.text for cause in entry.causes)),
            checks=tuple(dict.fromkeys(check.text for check in entry.checks)),
        )
        for name, entry in ((name, knowledge.entries[name]) for name in CONDITIONS)
    ]
    return render(
        request,
        "help.html",
        actor=actor,
        marks=marks,
        conditions=conditions,
        cautions=list(knowledge.cautions.values()),
    )


@router.get("/look")
def look(
    to: Literal["auto", "light", "dark"] = "auto", back: Annotated[str, Query(max_length=1000)] = "/"
) -> Response:
    """Keep light or dark for this browser. Nothing but the look follows from it, so it needs no session."""
    response = RedirectResponse(safe_next(back), 303)
    response.set_cookie(LOOK_COOKIE, to, max_age=YEAR_S, samesite="lax", path="/")
    return response


@router.get("/patterns")
def patterns(request: Request, actor: Annotated[Actor, Depends(require(Act.SUPPRESS))]) -> Response:
    """Every state of an alert, every condition, priority and control, side by side. For engineers."""
    cells = [
        (
            condition,
            [(p, priority_mark(p, is_open=True), priority_mark(p, is_open=False)) for p in PRIORITIES],
        )
        for condition in CONDITIONS
    ]
    return render(
        request,
        "patterns.html",
        actor=actor,
        states=[
            (state, STATE_WORDS[state], state_mark(state, "high"), state_mark(state, "low"))
            for state in STATES
        ],
        priorities=[(p, PRIORITY_WORDS[p]) for p in reversed(PRIORITIES)],
        conditions=[(c, CONDITION_WORDS[c], condition_glyph(c)) for c, _ in cells],
        steady=condition_glyph(None),
    )
