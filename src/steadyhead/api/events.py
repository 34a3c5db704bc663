"""Server-sent events: a page learns at once that something changed, and asks for what it shows."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Query
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api.context import Context, context_of
from steadyhead.api.docs import refusals
from steadyhead.api.guards import require, session_secret, too_many
from steadyhead.api.hub import RELOAD, Listener
from steadyhead.desk.news import Event
from steadyhead.desk.views import AlertQuery
from steadyhead.errors import DatabaseError

router = APIRouter(tags=["live"])
HEARTBEAT_S = 15.0
RETRY_MS = 3000
MOST_MISSED = 500
OVERLAP = 50
"""Changes told twice after a break: two that were made at once may have been told in the other order. Telling
one twice is harmless, since a page asks for the alert as it is now."""

_NAMES = {"feed": "source", "station": "station"}
_EXAMPLE = 'id: 412\nevent: alert\ndata: {"alert_id": "0f3c5a9e1b7d2468", "change_no": 412}\n\n'


@router.get(
    "/events",
    summary="Follow what changes",
    response_class=EventSourceResponse,
    responses={
        200: {
            "description": "A stream that stays open. Events: `hello` first; `alert` (alert_id, change_no), "
            "`station`, `feed` as they change; `reload` when too much was missed; `signed_out` at the end of "
            "the session. A comment is sent every 15 s so that a dead connection is noticed.",
            "content": {"text/event-stream": {"schema": {"type": "string"}, "example": _EXAMPLE}},
        },
        **refusals(401, 403, 422, 429, 503),
    },
)
async def events(
    request: Request,
    actor: Annotated[Actor, Depends(require(Act.READ))],
    after: Annotated[
        int | None,
        Query(ge=0, le=2**62, description="Tell also what has changed since this change_no of an alert."),
    ] = None,
) -> EventSourceResponse:
    """Tell what changes from now on; after a break also what was missed.

    A browser that reconnects sends `Last-Event-ID` by itself; it goes before `after`.
    """
    context = context_of(request)
    listener = context.hub.join(actor.key, context.settings.streams_per_actor)
    if listener is None:
        raise too_many(f'"{actor.name}" has {context.settings.streams_per_actor} event streams open', 30)
    last = request.headers.get("last-event-id", "")
    since = int(last) if last.isdecimal() and len(last) < 19 else after
    return EventSourceResponse(_stream(request, context, listener, since), ping=0, sep="\n")


async def _stream(
    request: Request, context: Context, listener: Listener, since: int | None
) -> AsyncIterator[ServerSentEvent]:
    try:
        yield ServerSentEvent("{}", event="hello", retry=RETRY_MS)
        if since is not None:
            for event in await run_in_threadpool(missed, context, since):
                yield _told(event)
        checked_s = time.monotonic()
        while True:
            try:
                event = await asyncio.wait_for(listener.waiting.get(), HEARTBEAT_S)
            except TimeoutError:
                yield ServerSentEvent(comment="still here")
            else:
                yield _told(event)
            if time.monotonic() >= checked_s + HEARTBEAT_S:
                checked_s = time.monotonic()
                if not await run_in_threadpool(_may_stay, request, context):
                    yield ServerSentEvent("{}", event="signed_out")
                    return
    finally:
        context.hub.leave(listener)


def missed(context: Context, since: int) -> list[Event]:
    """What changed after ``since``, oldest first; one "reload" if it is too much or cannot be told now."""
    query = AlertQuery(changed_after=max(0, since - OVERLAP), sort="newest", limit=MOST_MISSED)
    try:
        page = context.room.desk.alerts(query)
    except DatabaseError:
        return [RELOAD]
    if page.next is not None:
        return [RELOAD]
    return [
        Event("alert", view.alert.alert_id, view.change_no)
        for view in sorted(page.items, key=lambda view: view.change_no)
    ]


def _told(event: Event) -> ServerSentEvent:
    if event.kind == "alert":
        data = {"alert_id": event.subject, "change_no": event.change_no}
        return ServerSentEvent(json.dumps(data), event="alert", id=str(event.change_no))
    data = {_NAMES[event.kind]: event.subject} if event.kind in _NAMES else {}
    return ServerSentEvent(json.dumps(data), event=event.kind)


def _may_stay(request: Request, context: Context) -> bool:
    """Whether session or token is still good; looking also counts as use of the session."""
    accounts = context.room.accounts
    secret = session_secret(request)
    try:
        if secret is not None:
            actor = accounts.who(secret)
            return actor is not None and may(actor, Act.READ)
        header = request.headers.get("authorization", "")
        return accounts.by_token(header.partition(" ")[2].strip()) is not None
    except DatabaseError:
        return True  # known a moment ago; a lost database puts nobody out
