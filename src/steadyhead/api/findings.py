"""What technicians found, what was repaired, and whether the repair holds."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Query
from pydantic import Field, StringConstraints, model_validator

from steadyhead.access.actor import Act, Actor
from steadyhead.api import proving
from steadyhead.api.asking import wrong_in_itself
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.shapes import Asked, Note, Shape, StationName
from steadyhead.api.times import When, seconds, seconds_or_none, stamp, stamp_or_none
from steadyhead.desk.views import FindingView, NewFinding, ProofView
from steadyhead.types import Condition

router = APIRouter(prefix="/findings", tags=["findings"])
FindingId = Annotated[int, Path(ge=1, le=2**62, description="Number of the finding.", examples=[17])]


class FindingAsked(Asked):
    """What a technician reports: a cause of the list, or own words, or both."""

    station: StationName
    condition: Condition
    alert_id: str | None = Field(default=None, pattern="^[0-9a-f]{1,32}$")
    cause_key: str | None = Field(
        default=None,
        max_length=64,
        description="`key` of one of the alert's likely causes.",
        examples=["worn_seat"],
    )
    text: Note = Field(
        default="", description="What was found.", examples=["Seat scored, grit in the chamber"]
    )
    done: Note = Field(default="", description="What was done.", examples=["Seat and disc renewed"])
    repaired_at: When | None = Field(default=None, description="When it was repaired; leave out if not yet.")

    @model_validator(mode="after")
    def _says_something(self) -> FindingAsked:
        if self.cause_key is None and not self.text:
            raise ValueError("give cause_key, text, or both: what was found is missing")
        return self


class RepairAsked(Asked):
    """When something found earlier was repaired."""

    repaired_at: When
    done: Annotated[str, StringConstraints(strip_whitespace=True, max_length=1000)] = ""


class ProofItem(Shape):
    """One look at whether a repair holds."""

    id: int
    finding_id: int
    station: str
    made_at: str
    who: str
    result: Literal["pass", "not_yet", "cannot_tell"]
    numbers: dict[str, Any] = Field(description="By name with unit, before and after.")
    sentences: list[str]

    @classmethod
    def of(cls, view: ProofView) -> ProofItem:
        """From the desk's view."""
        return cls(
            id=view.id,
            finding_id=view.finding_id,
            station=view.station,
            made_at=stamp(view.made_s),
            who=view.who,
            result=view.result,
            numbers=dict(view.numbers),
            sentences=list(view.sentences),
        )


class FindingItem(Shape):
    """A finding as recorded, with its proofs, newest first."""

    id: int
    alert_id: str | None
    station: str
    condition: Condition
    at: str
    who: str
    cause_key: str | None
    cause_text: str | None
    text: str
    done: str
    repaired_at: str | None
    proofs: list[ProofItem]

    @classmethod
    def of(cls, view: FindingView) -> FindingItem:
        """From the desk's view."""
        return cls(
            id=view.id,
            alert_id=view.alert_id,
            station=view.station,
            condition=view.condition,
            at=stamp(view.at_s),
            who=view.who,
            cause_key=view.cause_key,
            cause_text=view.cause_text,
            text=view.text,
            done=view.done,
            repaired_at=stamp_or_none(view.repaired_s),
            proofs=[ProofItem.of(proof) for proof in view.proofs],
        )


class Findings(Shape):
    """Findings, newest first."""

    items: list[FindingItem]


@router.get("", summary="List findings", responses=refusals(*READING))
def list_findings(
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    station: Annotated[str | None, Query(max_length=64)] = None,
    condition: Annotated[Condition | None, Query()] = None,
    alert_id: Annotated[str | None, Query(max_length=32)] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 200,
) -> Findings:
    """What was found, newest first, each with its proofs."""
    with wrong_in_itself():
        found = room.desk.findings(station, condition, alert_id=alert_id, limit=limit)
    return Findings(items=[FindingItem.of(view) for view in found])


@router.post("", status_code=201, summary="Record a finding", responses=refusals(*CHANGING))
def record(
    asked: FindingAsked, room: InRoom, actor: Annotated[Actor, Depends(require(Act.RECORD_FINDING))]
) -> FindingItem:
    """Write down what was found at a station. It moves how likely each cause is called next time."""
    new = NewFinding(
        station=asked.station,
        condition=asked.condition,
        alert_id=asked.alert_id,
        cause_key=asked.cause_key,
        text=asked.text,
        done=asked.done,
        repaired_s=seconds_or_none(asked.repaired_at),
    )
    with wrong_in_itself():
        return FindingItem.of(room.desk.record_finding(new, actor.name))


@router.post("/{finding_id}/repair", summary="Record a repair", responses=refusals(*CHANGING))
def record_repair(
    finding_id: FindingId,
    asked: RepairAsked,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.RECORD_FINDING))],
) -> FindingItem:
    """Say when it was repaired, so that the repair can be proved."""
    with wrong_in_itself():
        found = room.desk.record_repair(finding_id, actor.name, seconds(asked.repaired_at), asked.done)
    return FindingItem.of(found)


@router.post("/{finding_id}/proofs", status_code=201, summary="Prove a repair", responses=refusals(*CHANGING))
def prove(
    finding_id: FindingId, room: InRoom, actor: Annotated[Actor, Depends(require(Act.PROVE))]
) -> ProofItem:
    """Compare regulation before and after the repair: set held, lock-up, response, scatter."""
    return ProofItem.of(proving.prove(room, finding_id, actor.name))
