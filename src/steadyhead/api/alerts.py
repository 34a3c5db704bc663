"""Alerts: the list, one of them, and what people do with it."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Path, Query
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.actor import Act, Actor
from steadyhead.alerts.model import AlertState, Priority
from steadyhead.api.asking import wrong_in_itself
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.paging import LINK_HEADER, link_pages
from steadyhead.api.shapes import Acknowledge, AlertItem, AlertPage, AuditItem, History, Reason, Shelve
from steadyhead.api.times import seconds
from steadyhead.desk.views import AlertQuery
from steadyhead.types import Condition

router = APIRouter(prefix="/alerts", tags=["alerts"])

AlertId = Annotated[
    str,
    Path(pattern="^[0-9a-f]{1,32}$", description="`alert_id` of the alert.", examples=["0f3c5a9e1b7d2468"]),
]
Reader = Annotated[Actor, Depends(require(Act.READ))]


@router.get(
    "",
    summary="List alerts",
    responses={200: {"headers": LINK_HEADER}, **refusals(*READING)},
)
def list_alerts(
    request: Request,
    response: Response,
    room: InRoom,
    _: Reader,
    zone: Annotated[str | None, Query(max_length=200)] = None,
    condition: Annotated[Condition | None, Query()] = None,
    station: Annotated[str | None, Query(max_length=64)] = None,
    state: Annotated[AlertState | None, Query()] = None,
    priority: Annotated[Priority | None, Query()] = None,
    standing: Annotated[bool, Query(description="Only those that need a person.")] = False,
    changed_after: Annotated[
        int | None, Query(ge=0, le=2**62, description="Only those changed after this change_no.")
    ] = None,
    sort: Annotated[Literal["worst", "newest"], Query()] = "worst",
    limit: Annotated[int, Query(ge=1, le=500)] = 50,
    after: Annotated[str | None, Query(max_length=400, description="`next` of the page before.")] = None,
) -> AlertPage:
    """Alerts that pass all filters, worst or newest first. Follow `next`, or the header Link, for more."""
    query = AlertQuery(
        zone=zone,
        condition=condition,
        station=station,
        state=state,
        priority=priority,
        standing=standing,
        changed_after=changed_after,
        sort=sort,
        limit=limit,
        after=after,
    )
    with wrong_in_itself():
        page = room.desk.alerts(query)
    link_pages(request, response, page.next)
    return AlertPage(items=[AlertItem.of(view) for view in page.items], next=page.next, total=page.total)


@router.get("/{alert_id}", summary="Show one alert", responses=refusals(404, *READING))
def show_alert(alert_id: AlertId, room: InRoom, _: Reader) -> AlertItem:
    """The alert with its evidence, likely causes and field checks, and where it stands in its life."""
    return AlertItem.of(room.desk.alert(alert_id))


@router.get(
    "/{alert_id}/history", summary="Show who did what with an alert", responses=refusals(404, *READING)
)
def show_history(
    alert_id: AlertId, room: InRoom, _: Reader, limit: Annotated[int, Query(ge=1, le=1000)] = 200
) -> History:
    """The alert's audit trail, newest first."""
    room.desk.alert(alert_id)
    return History(items=[AuditItem.of(view) for view in room.desk.history(alert_id, limit=limit)])


@router.post("/{alert_id}/acknowledge", summary="Acknowledge an alert", responses=refusals(*CHANGING))
def acknowledge(
    alert_id: AlertId,
    asked: Acknowledge,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))],
) -> AlertItem:
    """Say that somebody has seen it and is on it."""
    return AlertItem.of(room.desk.acknowledge(alert_id, actor.name, asked.note))


@router.post("/{alert_id}/reset", summary="Reset a latched alert", responses=refusals(*CHANGING))
def reset(
    alert_id: AlertId,
    asked: Acknowledge,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))],
) -> AlertItem:
    """Let go an alert that is over and was acknowledged, and stays because its condition latches."""
    return AlertItem.of(room.desk.reset(alert_id, actor.name, asked.note))


@router.post("/{alert_id}/shelve", summary="Shelve an alert", responses=refusals(*CHANGING))
def shelve(
    alert_id: AlertId,
    asked: Shelve,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.SHELVE))],
) -> AlertItem:
    """Keep it quiet until a stated time, for a stated reason; it comes back by itself."""
    return AlertItem.of(room.desk.shelve(alert_id, actor.name, asked.why, seconds(asked.until)))


@router.post("/{alert_id}/unshelve", summary="Take a shelved alert back", responses=refusals(*CHANGING))
def unshelve(
    alert_id: AlertId,
    asked: Reason,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.SHELVE))],
) -> AlertItem:
    """End the shelving now."""
    return AlertItem.of(room.desk.unshelve(alert_id, actor.name, asked.why))
