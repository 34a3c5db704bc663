"""Suppressions by design: alerts that are expected and must call nobody."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Query
from pydantic import Field, model_validator

from steadyhead.access.actor import Act, Actor
from steadyhead.api.asking import wrong_in_itself
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.shapes import Asked, Reason, Shape, Why
from steadyhead.api.station_shapes import Outage
from steadyhead.api.times import When, seconds_or_none, stamp, stamp_or_none
from steadyhead.desk.views import SuppressionView
from steadyhead.errors import NotFoundError
from steadyhead.types import Condition

router = APIRouter(tags=["suppressions"])


class SuppressAsked(Asked):
    """What to suppress; what is left out matches everything, but one of the three must be given."""

    station: str | None = Field(default=None, max_length=64, examples=["mill_weir"])
    zone: str | None = Field(default=None, max_length=200)
    condition: Condition | None = None
    why: Why
    until: When | None = Field(default=None, description="Left out: until it is released by hand.")

    @model_validator(mode="after")
    def _names_something(self) -> SuppressAsked:
        if self.station is None and self.zone is None and self.condition is None:
            raise ValueError("give station, zone or condition; all left out would silence everything")
        return self


class SuppressionItem(Shape):
    """A suppression by design."""

    id: int
    station: str | None
    zone: str | None
    condition: str | None
    since: str
    until: str | None
    who: str
    why: str
    released_at: str | None

    @classmethod
    def of(cls, view: SuppressionView) -> SuppressionItem:
        """From the desk's view."""
        return cls(
            id=view.id,
            station=view.station,
            zone=view.zone,
            condition=view.condition,
            since=stamp(view.from_s),
            until=stamp_or_none(view.until_s),
            who=view.who,
            why=view.why,
            released_at=stamp_or_none(view.released_s),
        )


class Suppressions(Shape):
    """Suppressions by design, newest first."""

    items: list[SuppressionItem]


class Outages(Shape):
    """Stations out of service, by name."""

    items: list[Outage]


@router.get("/suppressions", summary="List suppressions", responses=refusals(*READING))
def list_suppressions(
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    all_of_them: Annotated[bool, Query(alias="all", description="Those that are over too.")] = False,
) -> Suppressions:
    """Suppressions in force, newest first."""
    found = room.desk.suppressions(all_of_them=all_of_them)
    return Suppressions(items=[SuppressionItem.of(view) for view in found])


@router.post("/suppressions", status_code=201, summary="Suppress by design", responses=refusals(*CHANGING))
def suppress(
    asked: SuppressAsked, room: InRoom, actor: Annotated[Actor, Depends(require(Act.SUPPRESS))]
) -> SuppressionItem:
    """Keep expected alerts from calling anybody: of a station, a zone, a condition, or all of these."""
    if asked.station is not None and asked.station not in room.registry.stations:
        raise NotFoundError(
            f'there is no station "{asked.station}" in the registry; list them with GET /api/v1/stations'
        )
    with wrong_in_itself():
        number = room.desk.suppress(
            actor.name,
            asked.why,
            station=asked.station,
            zone=asked.zone,
            condition=asked.condition,
            until_s=seconds_or_none(asked.until),
        )
    return _one(room, number)


@router.post("/suppressions/{number}/release", summary="Release a suppression", responses=refusals(*CHANGING))
def release(
    number: Annotated[int, Path(ge=1, le=2**62, description="`id` of the suppression.")],
    asked: Reason,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.SUPPRESS))],
) -> SuppressionItem:
    """End a suppression now; alerts that hold call again."""
    room.desk.release(number, actor.name, asked.why)
    return _one(room, number)


@router.get(
    "/outages", tags=["stations"], summary="List stations out of service", responses=refusals(*READING)
)
def list_outages(room: InRoom, _: Annotated[Actor, Depends(require(Act.READ))]) -> Outages:
    """Stations that are out of service now, by name."""
    return Outages(items=[Outage.of(view) for view in room.desk.outages()])


def _one(room: InRoom, number: int) -> SuppressionItem:
    for view in room.desk.suppressions(all_of_them=True):
        if view.id == number:
            return SuppressionItem.of(view)
    raise NotFoundError(f"there is no suppression {number}; list them with GET /api/v1/suppressions?all=true")
