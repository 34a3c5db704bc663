"""What an open page asks every few seconds: what stands, what is wrong with the service, and the time."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from starlette.requests import Request
from starlette.responses import JSONResponse

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.desk.views import Tally
from steadyhead.errors import DatabaseError, NotFoundError
from steadyhead.web.cards import card
from steadyhead.web.frame import as_of, troubles
from steadyhead.web.freshness import watch_of
from steadyhead.web.head import call_more_text, call_text, standing, title_text

router = APIRouter(include_in_schema=False)
MOST_NAMED = 20  # alerts put into words in one answer; counts are of all


@router.get("/now")
def now(
    request: Request,
    _: Annotated[Actor, Depends(require(Act.READ))],
    zone: Annotated[str, Query(max_length=100)] = "",
) -> JSONResponse:
    """The head of the page as it is now. zone : the heading is of this zone, the counts are of all."""
    room = room_of(request)
    heard = watch_of(request).fleet(room)
    try:
        tally: Tally | None = room.desk.tally()
        here = room.desk.tally(zone) if zone else tally
    except DatabaseError:
        tally = here = None
    fresh = as_of(room)
    found: dict[str, Any] = {
        "now_s": room.clock(),
        "as_of": None if fresh is None else fresh.text,
        "troubles": [
            {
                "key": t.key,
                "kind": t.kind,
                "title": t.title,
                "text": t.text,
                "since": t.since_s,
                "href": t.href,
                "link": t.link,
            }
            for t in troubles(request, room)
        ],
    }
    if tally is not None and here is not None:
        found |= {
            "change_no": tally.change_no,
            "title": title_text(tally),
            "counts": {item.key: item.n for item in standing(tally, heard)},
            "open": tally.open,
            "call": call_text(here, heard) + (f" in zone {zone}" if zone else ""),
            "call_more": call_more_text(here),
        }
    return JSONResponse(found)


@router.get("/news")
def news(
    request: Request,
    _: Annotated[Actor, Depends(require(Act.READ))],
    ids: Annotated[str, Query(max_length=2000)] = "",
) -> JSONResponse:
    """Alerts in words, for those that are named because nobody has seen them yet."""
    room = room_of(request)
    found = []
    for alert_id in ids.split(",")[:MOST_NAMED]:
        try:
            view = room.desk.alert(alert_id)
        except NotFoundError:
            continue
        item = card(view, room.registry, room.clock())
        found.append(
            {
                "alert_id": item.alert_id,
                "href": item.href,
                "is_open": item.is_open,
                "priority": view.alert.priority,
                "priority_words": item.priority_words,
                "place": item.place,
                "headline": item.headline,
                "condition": item.condition_words,
                "raised_s": view.raised_s,
            }
        )
    return JSONResponse({"alerts": found})
