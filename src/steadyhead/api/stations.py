"""Stations: the fleet, one of them, its plots, and taking it out of service."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Query
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api import figures, series
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.paging import LINK_HEADER, link_pages
from steadyhead.api.plot_shapes import FiguresAnswer, SeriesAnswer
from steadyhead.api.problems import INVALID, ProblemError
from steadyhead.api.shapes import AuditItem, History, Reason
from steadyhead.api.station_shapes import (
    OutOfService,
    StationDetail,
    StationItem,
    StationPage,
    detail_of,
    items_of,
)
from steadyhead.api.times import When, seconds
from steadyhead.errors import NotFoundError
from steadyhead.live.room import Room

router = APIRouter(prefix="/stations", tags=["stations"])
DAY_S = 86_400
SHOWN_S = DAY_S  # of a plot whose span was not asked for
LONGEST_S = 100 * 366 * DAY_S

Name = Annotated[str, Path(max_length=64, description="Name in the registry.", examples=["harbour_east"])]
Reader = Annotated[Actor, Depends(require(Act.READ))]
From = Annotated[When | None, Query(alias="from")]
To = Annotated[When | None, Query(alias="to")]


@router.get("", summary="List stations", responses={200: {"headers": LINK_HEADER}, **refusals(*READING)})
def list_stations(
    request: Request,
    response: Response,
    room: InRoom,
    _: Reader,
    zone: Annotated[str | None, Query(max_length=200)] = None,
    standing: Annotated[bool, Query(description="Only those with an alert that needs a person.")] = False,
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
    after: Annotated[str | None, Query(max_length=64, description="`next` of the page before.")] = None,
) -> StationPage:
    """All stations by name: what each does now, and its alerts."""
    counts = room.desk.counts()
    names = [
        name
        for name, station in sorted(room.registry.stations.items())
        if (zone is None or station.zone == zone)
        and (not standing or (name in counts.by_station and counts.by_station[name].standing))
    ]
    left = [name for name in names if after is None or name > after]
    chosen = left[:limit]
    cursor = chosen[-1] if len(left) > limit else None
    link_pages(request, response, cursor)
    items: list[StationItem] = items_of(room, chosen, counts)
    return StationPage(items=items, next=cursor, total=len(names))


@router.get("/{name}", summary="Show one station", responses=refusals(404, *READING))
def show_station(name: Name, room: InRoom, _: Reader) -> StationDetail:
    """What it does now, what was learned of it in words, and whether it is out of service."""
    check_known(room, name)
    return detail_of(room, name)


@router.get(
    "/{name}/series",
    summary="Readings for a plot",
    response_model=SeriesAnswer,
    responses=refusals(404, *READING),
)
def show_series(
    name: Name,
    room: InRoom,
    _: Reader,
    from_at: From = None,
    to_at: To = None,
    points: Annotated[int, Query(ge=series.LEAST_POINTS, le=series.MOST_POINTS)] = series.USUAL_POINTS,
) -> JSONResponse:
    """Lowest, mean and highest value of each bucket, the learned band, and the alerts of the span.

    At most `points` buckets, however long the span: peaks are never lost. Without `to` it ends at the last
    reading, without `from` it shows a day.
    """
    check_known(room, name)
    from_s, to_s = span(room, name, from_at, to_at)
    return JSONResponse(series.series(room, name, from_s, to_s, points))


@router.get(
    "/{name}/figures",
    summary="Droop, closed nights and oscillation",
    response_model=FiguresAnswer,
    responses=refusals(404, *READING),
)
def show_figures(name: Name, room: InRoom, _: Reader, from_at: From = None, to_at: To = None) -> JSONResponse:
    """Figures for the plots that are not over time.

    At most 200,000 readings are used: of a longer span the latest, and `from` in the answer says since when.
    Without `from` the last 14 days.
    """
    check_known(room, name)
    from_s, to_s = span(room, name, from_at, to_at, figures.USUAL_S)
    return JSONResponse(figures.figures(room, name, from_s, to_s))


@router.get("/{name}/history", summary="Show who did what at a station", responses=refusals(404, *READING))
def show_history(
    name: Name, room: InRoom, _: Reader, limit: Annotated[int, Query(ge=1, le=1000)] = 200
) -> History:
    """The audit trail of the station, its alerts and its findings, newest first."""
    check_known(room, name)
    return History(items=[AuditItem.of(view) for view in room.desk.history(station=name, limit=limit)])


@router.post("/{name}/out-of-service", summary="Take a station out of service", responses=refusals(*CHANGING))
def take_out(
    name: Name,
    asked: OutOfService,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.TAKE_OUT_OF_SERVICE))],
) -> StationDetail:
    """Its alerts call nobody until it is returned, or until the stated time."""
    check_known(room, name)
    room.desk.out_of_service(
        name, actor.name, asked.why, None if asked.until is None else seconds(asked.until)
    )
    return detail_of(room, name)


@router.post(
    "/{name}/return-to-service", summary="Return a station to service", responses=refusals(*CHANGING)
)
def put_back(
    name: Name,
    asked: Reason,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.TAKE_OUT_OF_SERVICE))],
) -> StationDetail:
    """Its alerts call again, from now on."""
    check_known(room, name)
    room.desk.return_to_service(name, actor.name, asked.why)
    return detail_of(room, name)


def check_known(room: Room, name: str) -> None:
    """Raise NotFoundError for a station that is not in the registry."""
    if name not in room.registry.stations:
        raise NotFoundError(
            f'there is no station "{name}" in the registry; list them with GET /api/v1/stations'
        )


def span(room: Room, name: str, from_at: Any, to_at: Any, usual_s: int = SHOWN_S) -> tuple[int, int]:
    """The span asked for, or the last ``usual_s`` of what there is. ProblemError 422 if it is empty."""
    if to_at is not None:
        to_s = seconds(to_at)
    else:
        extent = room.archive.extent(name)
        to_s = int(room.clock()) if extent is None else extent[1] + room.registry.stations[name].step_s
    from_s = to_s - usual_s if from_at is None else seconds(from_at)
    if from_s >= to_s:
        detail = "query.from: is not before `to`; swap or mend them"
        if to_at is None:
            detail = (
                "query.from: is after the last reading of the station; give an earlier one, or `to` as well"
            )
        raise ProblemError(
            INVALID, detail, more={"errors": [{"field": "query.from", "message": detail.partition(": ")[2]}]}
        )
    return max(0, from_s), to_s
