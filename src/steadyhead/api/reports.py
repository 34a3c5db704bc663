"""Weekly reports: ask for one, see how far it is, fetch what is finished."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Path, Query
from pydantic import Field
from starlette.requests import Request
from starlette.responses import FileResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import InRoom
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import require
from steadyhead.api.paging import LINK_HEADER, link_pages
from steadyhead.api.problems import INVALID, Problem, ProblemError, body_of, of_ours
from steadyhead.api.shapes import Asked, Shape
from steadyhead.api.times import stamp, stamp_or_none
from steadyhead.errors import NotFoundError, ReportError
from steadyhead.live.room import Room
from steadyhead.weekly.asking import Ask
from steadyhead.weekly.kept import Kept, kept_report, kept_reports
from steadyhead.weekly.reporter import asked_by
from steadyhead.weekly.week import Week

PATH = "/api/v1/reports"
router = APIRouter(prefix="/reports", tags=["reports"])
PATTERN = r"^[0-9]{4}-W[0-9]{2}$"
WeekName = Annotated[str, Path(pattern=PATTERN, description="ISO week.", examples=["2025-W44"])]
Form = Literal["html", "pdf", "csv", "json"]
TYPES: dict[Form, str] = {
    "html": "text/html; charset=utf-8",
    "pdf": "application/pdf",
    "csv": "text/csv; charset=utf-8",
    "json": "application/json",
}
SHOWN: tuple[Form, ...] = ("html", "pdf")  # a browser shows these; the others are saved
# The report carries its style and pictures within it and has no script; nothing else may be loaded by it.
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'; sandbox"
)


class ReportAsked(Asked):
    """Which week, and what else is wanted."""

    week: str = Field(pattern=PATTERN, description="ISO week.", examples=["2025-W44"])
    pages_for: list[Annotated[str, Field(max_length=64)]] = Field(
        default_factory=list,
        max_length=100,
        description="Stations that get a page of their own whether they need one or not.",
    )
    even_if_incomplete: bool = Field(
        default=False, description="Also if the week is not over or not filled; the report is then marked."
    )


class ReportFile(Shape):
    """One form of a finished report."""

    form: Form
    href: str = Field(examples=[f"{PATH}/2025-W44/pdf"])
    bytes: int


class ReportItem(Shape):
    """The report of one week: what is finished, and what is being made."""

    week: str = Field(examples=["2025-W44"])
    state: Literal["waiting", "running", "finished", "failed"] = Field(
        description="Of the latest ask since the service began; finished if there was none."
    )
    asked_by: str | None = Field(description='Who asked last; "clock" where it was due by itself.')
    asked_at: str | None
    started_at: str | None
    ended_at: str | None
    doing: str | None = Field(description="What is being done now.", examples=["Judging elm_street"])
    done: int = Field(description="Stations done; of `total`, 0 while that is not known.")
    total: int
    left_out: list[str] = Field(description="Stations that could not be read, and why.")
    problem: Problem | None = Field(description="Why it failed.")
    made_at: str | None = Field(description="When the finished report was made; null while there is none.")
    is_complete: bool | None = Field(description="Whether readings filled the week of the finished report.")
    files: list[ReportFile] = Field(description="Of the finished report, also while it is made anew.")


class ReportPage(Shape):
    """One page of reports, newest week first."""

    items: list[ReportItem]
    next: str | None
    total: int


@router.get("", summary="List reports", responses={200: {"headers": LINK_HEADER}, **refusals(*READING)})
def list_reports(
    request: Request,
    response: Response,
    room: InRoom,
    _: Annotated[Actor, Depends(require(Act.READ))],
    limit: Annotated[int, Query(ge=1, le=200)] = 60,
    after: Annotated[str | None, Query(pattern=PATTERN, description="`next` of the page before.")] = None,
) -> ReportPage:
    """Finished reports, and those that are waited for, are being made or failed, newest week first."""
    found = all_reports(room)
    left = [item for item in found if after is None or item.week < after]
    chosen = left[:limit]
    cursor = chosen[-1].week if len(left) > limit else None
    link_pages(request, response, cursor)
    return ReportPage(items=chosen, next=cursor, total=len(found))


@router.post(
    "",
    summary="Ask for a report",
    status_code=202,
    responses={
        202: {
            "headers": {
                "Location": {"description": "Where it can be followed.", "schema": {"type": "string"}}
            }
        },
        **refusals(*CHANGING, 507),
    },
)
def ask(
    asked: ReportAsked,
    response: Response,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.REPORT))],
) -> ReportItem:
    """Have the report of a week made in the background; a finished one is replaced once the new one is.

    A report that is waited for or being made is not begun twice. It is noted who asked.
    """
    week = week_of(asked.week, "body.week")
    unknown = [(n, name) for n, name in enumerate(asked.pages_for) if name not in room.registry.stations]
    if unknown:
        errors = [
            {"field": f"body.pages_for.{n}", "message": f'there is no station "{name}" in the registry'}
            for n, name in unknown
        ]
        raise ProblemError(INVALID, "; ".join(e["message"] for e in errors[:3]), more={"errors": errors})
    room.reporter.ask(
        week, actor.name, pages_for=asked.pages_for, even_if_incomplete=asked.even_if_incomplete
    )
    response.headers["Location"] = f"{PATH}/{week}"
    return one_report(room, week)


@router.get("/{week}", summary="Show a report", responses=refusals(404, *READING))
def show_report(week: WeekName, room: InRoom, _: Annotated[Actor, Depends(require(Act.READ))]) -> ReportItem:
    """How far the report of a week is, and where its files are."""
    return one_report(room, week_of(week, "path.week"))


@router.get(
    "/{week}/{form}",
    summary="Fetch a report",
    response_class=Response,
    responses={
        200: {
            "description": "The file.",
            "content": {kind.partition(";")[0]: {"schema": {"type": "string"}} for kind in TYPES.values()},
        },
        **refusals(404, *READING),
    },
)
def fetch_report(
    week: WeekName, form: Form, room: InRoom, _: Annotated[Actor, Depends(require(Act.READ))]
) -> Response:
    """A finished report in one of its forms; the HTML and the PDF are shown, the others saved."""
    return file_of(room, week_of(week, "path.week"), form)


def week_of(text: str, field: str) -> Week:
    """The week written. Raises ProblemError 422 if there is no such week."""
    try:
        return Week.parse(text)
    except ReportError as exc:
        errors = [{"field": field, "message": str(exc)}]
        raise ProblemError(INVALID, f"{field}: {exc}", more={"errors": errors}) from exc


def file_of(room: Room, week: Week, form: Form) -> Response:
    """The answer with a file of a finished report. Raises NotFoundError."""
    kept = kept_report(room.reporter.settings.folder, week)
    path = None if kept is None else kept.files.get(form)
    if path is None:
        there = "" if kept is None else f" as {form}; there are {', '.join(kept.files)}"
        raise NotFoundError(f"there is no finished report of week {week}{there}; list them with GET {PATH}")
    headers = {"Content-Security-Policy": REPORT_POLICY} if form == "html" else {}
    return FileResponse(
        path,
        media_type=TYPES[form],
        filename=f"steadyhead-{week}.{form}",
        content_disposition_type="inline" if form in SHOWN else "attachment",
        headers=headers,
    )


def all_reports(room: Room) -> list[ReportItem]:
    """All that are finished or were asked for, newest week first."""
    kept = {found.week: found for found in kept_reports(room.reporter.settings.folder)}
    asks = room.reporter.asks()
    weeks = sorted({*kept, *asks}, reverse=True)
    who = asked_by(room.database, weeks)
    return [_item(week, asks.get(week), kept.get(week), who.get(str(week))) for week in weeks]


def one_report(room: Room, week: Week) -> ReportItem:
    """The same of one week. Raises NotFoundError if there is neither a report nor an ask."""
    kept = kept_report(room.reporter.settings.folder, week)
    asked = room.reporter.asks().get(week)
    if kept is None and asked is None:
        raise NotFoundError(f"no report of week {week} is there or was asked for; ask with POST {PATH}")
    return _item(week, asked, kept, asked_by(room.database, [week]).get(str(week)))


def _item(week: Week, asked: Ask | None, kept: Kept | None, who: tuple[str, int] | None) -> ReportItem:
    href = f"{PATH}/{week}"
    return ReportItem(
        week=str(week),
        state="finished" if asked is None else asked.state,
        asked_by=None if who is None else who[0],
        asked_at=None if who is None else stamp(who[1]),
        started_at=None if asked is None else stamp_or_none(asked.started_s),
        ended_at=None if asked is None else stamp_or_none(asked.ended_s),
        doing=None if asked is None or asked.state != "running" else asked.what or "Starting",
        done=0 if asked is None else asked.done,
        total=0 if asked is None else asked.total,
        left_out=[] if asked is None else list(asked.left_out),
        problem=None if asked is None or asked.error is None else body_of(of_ours(asked.error), href),
        made_at=None if kept is None else stamp(kept.made_s),
        is_complete=None if kept is None else kept.is_complete,
        files=[]
        if kept is None
        else [
            ReportFile(form=form, href=f"{href}/{form}", bytes=kept.sizes[form])
            for form in TYPES
            if form in kept.sizes
        ],
    )
