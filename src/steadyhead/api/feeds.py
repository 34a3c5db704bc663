"""Where readings come from, how each source is doing, what was refused, and how far judging is."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Query
from pydantic import Field
from sqlalchemy import select

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import InRoom
from steadyhead.api.docs import READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.shapes import Shape
from steadyhead.api.times import stamp, stamp_or_none
from steadyhead.live.views import RunnerState, RunnerStatus
from steadyhead.store.tables import FeedRow, RefusedRow

router = APIRouter(prefix="/feeds", tags=["feeds"])


class RunItem(Shape):
    """How the live run is doing."""

    state: RunnerState
    words: str
    accepted: int = Field(description="Readings since the data folder was made.")
    late: int
    refused: int
    backlog_items: int = Field(description="Accepted and not judged yet.")
    backlog_s: float
    last_data_at: str | None
    journal_bytes: int
    disk_free_bytes: int
    database_ok: bool
    database_words: str | None
    archive_ok: bool
    archive_words: str | None
    journal_ok: bool
    journal_words: str | None
    clock_off_s: float = Field(description="Not near 0 after somebody has set the clock.")

    @classmethod
    def of(cls, status: RunnerStatus) -> RunItem:
        """From the runner's status."""
        return cls(
            state=status.state,
            words=status.words,
            accepted=status.accepted,
            late=status.late,
            refused=status.refused,
            backlog_items=status.backlog_items,
            backlog_s=status.backlog_s,
            last_data_at=stamp_or_none(status.last_data_s),
            journal_bytes=status.journal_bytes,
            disk_free_bytes=status.disk_free_bytes,
            database_ok=status.database_ok,
            database_words=status.database_words,
            archive_ok=status.archive_ok,
            archive_words=status.archive_words,
            journal_ok=status.journal_ok,
            journal_words=status.journal_words,
            clock_off_s=status.clock_off_s,
        )


class FeedItem(Shape):
    """One source of readings."""

    source: str = Field(examples=["push:historian"])
    kind: str
    state: str
    last_ok_at: str | None
    last_error: str | None
    accepted: int
    refused: int
    late: int


class FeedsAnswer(Shape):
    """The live run and its sources."""

    run: RunItem
    items: list[FeedItem]


class RefusedSort(Shape):
    """Readings refused for one reason, counted."""

    source: str
    station: str | None
    tag: str | None
    reason: str
    n: int
    first_at: str
    last_at: str
    example: str


class RefusedAnswer(Shape):
    """What was refused, by reason, latest first."""

    items: list[RefusedSort]


@router.get("", summary="List feeds", responses=refusals(*READING))
def list_feeds(room: InRoom, _: Annotated[Actor, Depends(require(Act.READ))]) -> FeedsAnswer:
    """Each source of readings and how it is doing, and how far judging is."""
    with room.database.reading() as session:
        rows = list(session.scalars(select(FeedRow).order_by(FeedRow.source)))
    items = [
        FeedItem(
            source=row.source,
            kind=row.kind,
            state=row.state,
            last_ok_at=stamp_or_none(row.last_ok_s),
            last_error=row.last_error,
            accepted=row.accepted,
            refused=row.refused,
            late=row.late,
        )
        for row in rows
    ]
    return FeedsAnswer(run=RunItem.of(room.runner.status()), items=items)


@router.get("/refused", summary="List what was refused", responses=refusals(*READING))
def list_refused(
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    source: Annotated[str | None, Query(max_length=255)] = None,
    station: Annotated[str | None, Query(max_length=64)] = None,
    limit: Annotated[int, Query(ge=1, le=1000)] = 200,
) -> RefusedAnswer:
    """Readings refused, counted by source, station, tag and reason, latest first, with an example of each."""
    query = select(RefusedRow).order_by(RefusedRow.last_s.desc(), RefusedRow.id.desc()).limit(limit)
    if source is not None:
        query = query.where(RefusedRow.source == source)
    if station is not None:
        query = query.where(RefusedRow.station == station)
    with room.database.reading() as session:
        rows = list(session.scalars(query))
    return RefusedAnswer(
        items=[
            RefusedSort(
                source=row.source,
                station=row.station,
                tag=row.tag,
                reason=row.reason,
                n=row.n,
                first_at=stamp(row.first_s),
                last_at=stamp(row.last_s),
                example=row.example,
            )
            for row in rows
        ]
    )
