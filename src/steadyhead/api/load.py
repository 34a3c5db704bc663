"""Alarm load: whether the alerts are more than people can take."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from steadyhead.access.actor import Act, Actor
from steadyhead.alerts.model import Priority
from steadyhead.api.context import InRoom
from steadyhead.api.docs import READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.problems import INVALID, ProblemError
from steadyhead.api.shapes import Shape
from steadyhead.api.times import When, seconds, stamp, stamp_or_none
from steadyhead.desk.load_views import AlarmLoad
from steadyhead.types import Condition

router = APIRouter(prefix="/load", tags=["load"])
DAY_S = 86_400
USUAL_S = 7 * DAY_S
LONGEST_S = 400 * DAY_S  # 57,600 periods of ten minutes


class FloodItem(Shape):
    """A stretch with more calls per operator than a person can take."""

    from_at: str = Field(serialization_alias="from")
    to_at: str = Field(serialization_alias="to")
    calls: int


class StaleItem(Shape):
    """An alert that has stood longer than 24 hours."""

    alert_id: str
    station: str
    condition: Condition
    priority: Priority
    standing_s: int


class FrequentItem(Shape):
    """How often one condition of one station called."""

    station: str
    condition: Condition
    calls: int
    share: float


class PriorityItem(Shape):
    """Calls of one priority beside the published share to aim for."""

    priority: Priority
    calls: int
    share: float
    target_share: float


class TargetItem(Shape):
    """A figure beside its published target; `is_met` is null where there is nothing to judge."""

    name: str
    value: float
    wanted: str
    is_met: bool | None
    source: str


class LoadAnswer(Shape):
    """Alarm load of a span."""

    from_at: str = Field(serialization_alias="from")
    to_at: str = Field(serialization_alias="to")
    operators: int
    calls: int
    per_period: list[int] = Field(description="Calls of all operators in each 10 minutes, oldest first.")
    mean: float = Field(description="Calls per operator per 10 minutes.")
    peak: float
    peak_at: str | None
    over_share: float = Field(description="Share of the periods with more than 10 calls per operator.")
    floods: list[FloodItem]
    stale: list[StaleItem]
    chattering: list[FrequentItem]
    priorities: list[PriorityItem]
    top: list[FrequentItem]
    top_share: float
    targets: list[TargetItem]


@router.get("", summary="Show the alarm load", responses=refusals(*READING))
def show_load(
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    from_at: Annotated[When | None, Query(alias="from")] = None,
    to_at: Annotated[When | None, Query(alias="to")] = None,
) -> LoadAnswer:
    """Calls per operator, floods, stale and chattering alerts, and the split by priority.

    Without `to` it ends now, without `from` it covers 7 days; 400 days are the most.
    """
    to_s = int(room.clock()) if to_at is None else seconds(to_at)
    from_s = max(0, to_s - USUAL_S) if from_at is None else seconds(from_at)
    if not 0 < to_s - from_s <= LONGEST_S:
        message = "must lie before `to`, at most 400 days"
        errors = [{"field": "query.from", "message": message}]
        raise ProblemError(INVALID, f"query.from: {message}; mend the span", more={"errors": errors})
    return of(room.desk.load(from_s, to_s))


def of(load: AlarmLoad) -> LoadAnswer:
    """The figures as JSON."""
    return LoadAnswer(
        from_at=stamp(load.from_s),
        to_at=stamp(load.to_s),
        operators=load.operators,
        calls=load.calls,
        per_period=list(load.per_period),
        mean=load.mean,
        peak=load.peak,
        peak_at=stamp_or_none(load.peak_s),
        over_share=load.over_share,
        floods=[FloodItem(from_at=stamp(f.from_s), to_at=stamp(f.to_s), calls=f.calls) for f in load.floods],
        stale=[
            StaleItem(
                alert_id=s.alert_id,
                station=s.station,
                condition=s.condition,
                priority=s.priority,
                standing_s=s.standing_s,
            )
            for s in load.stale
        ],
        chattering=[
            _frequent(item.station, item.condition, item.calls, item.share) for item in load.chattering
        ],
        priorities=[
            PriorityItem(
                priority=part.priority, calls=part.calls, share=part.share, target_share=part.target_share
            )
            for part in load.priorities.values()
        ],
        top=[_frequent(item.station, item.condition, item.calls, item.share) for item in load.top],
        top_share=load.top_share,
        targets=[
            TargetItem(name=t.name, value=t.value, wanted=t.wanted, is_met=t.is_met, source=t.source)
            for t in load.targets
        ],
    )


def _frequent(station: str, condition: Condition, calls: int, share: float) -> FrequentItem:
    return FrequentItem(station=station, condition=condition, calls=calls, share=share)
