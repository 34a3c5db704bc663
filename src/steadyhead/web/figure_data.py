"""Closed nights laid over each other: the outlet of each period without flow, since the flow stopped."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from starlette.requests import Request
from starlette.responses import JSONResponse

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.figures import MOST_ROWS
from steadyhead.api.guards import require
from steadyhead.api.numbers import plain, plain_or_none
from steadyhead.api.series import profile_or_none
from steadyhead.readings.frame import Readings
from steadyhead.report.figures import ClosedPeriod, closed_figure
from steadyhead.report.thinning import thin
from steadyhead.web.station_page import station_of

router = APIRouter(include_in_schema=False)

MOST_NIGHTS = 14  # more lines cannot be told apart
MOST_POINTS = 200  # of each; the lowest and the highest of each stretch are kept


@router.get("/stations/{name}/nights")
def nights(
    request: Request,
    name: str,
    _: Annotated[Actor, Depends(require(Act.READ))],
    from_s: Annotated[int, Query(alias="from", ge=0)],
    to_s: Annotated[int, Query(alias="to", ge=0)],
) -> JSONResponse:
    """The latest closed periods of [from, to), epoch seconds; at most MOST_ROWS readings are looked at."""
    room = room_of(request)
    station = station_of(room, name)
    readings = room.archive.read(name, max(from_s, to_s - MOST_ROWS * station.step_s), to_s)
    profile = profile_or_none(room, name)
    figure = closed_figure(readings, profile, station.meter_cutoff_lps)
    return JSONResponse(
        {
            "periods": [_curve(readings, period) for period in figure.periods[-MOST_NIGHTS:]],
            "lock_up_kpa": plain_or_none(figure.lock_up_kpa),
            "why_not": figure.why_not,
        }
    )


def _curve(readings: Readings, period: ClosedPeriod) -> dict[str, Any]:
    shut = readings.between(period.from_s, period.to_s)
    rows = thin(shut.outlet_kpa, MOST_POINTS)
    return {
        "from_s": period.from_s,
        "to_s": period.to_s,
        "first_kpa": plain_or_none(period.first_kpa),
        "last_kpa": plain_or_none(period.last_kpa),
        "highest_kpa": plain_or_none(period.highest_kpa),
        "minutes": plain((shut.times_s[rows] - period.from_s) / 60.0),
        "outlet_kpa": plain(shut.outlet_kpa[rows]),
    }
