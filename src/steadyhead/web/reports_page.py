"""Weekly reports: those that are there to read and fetch, and the form that asks for one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.api.reports import ReportItem, all_reports, week_of
from steadyhead.live.room import Room
from steadyhead.web.frame import render
from steadyhead.web.moments import Moment, moment
from steadyhead.weekly.material import usual_zone
from steadyhead.weekly.week import Week

router = APIRouter(include_in_schema=False)
WEEKS_OFFERED = 27  # the present one and half a year; older ones through the API
MOST_SHOWN = 60
STATE_WORDS = {"waiting": "waits", "running": "is being made", "failed": "could not be made"}
FORM_WORDS = {"html": "HTML", "pdf": "PDF", "csv": "CSV", "json": "JSON"}


@dataclass(frozen=True, slots=True)
class FileLink:
    """One form of a report."""

    href: str
    word: str
    size: str


@dataclass(frozen=True, slots=True)
class Line:
    """The report of one week. state : what is being done about it, "" when nothing is"""

    week: str
    days: str
    state: str
    is_failed: bool
    why: str
    what_to_do: str
    made: Moment | None
    mark: str
    asked: str
    left_out: tuple[str, ...]
    files: tuple[FileLink, ...]


@router.get("/reports")
def reports(request: Request, actor: Annotated[Actor, Depends(require(Act.READ))]) -> Response:
    """What there is, and what is being made."""
    room = room_of(request)
    found = all_reports(room)
    zone = usual_zone(room.registry, list(room.registry.stations))
    this = Week.of(room.clock(), zone)
    return render(
        request,
        "reports.html",
        actor=actor,
        lines=[_line(item, zone, room) for item in found[:MOST_SHOWN]],
        n_more=max(0, len(found) - MOST_SHOWN),
        is_at_work=any(item.state in ("waiting", "running") for item in found),
        may_ask=may(actor, Act.REPORT),
        weeks=[_offered(this.shifted(-n), is_open=n == 0) for n in range(WEEKS_OFFERED)],
        chosen=str(this.shifted(-1)),
        is_weekly=room.reporter.settings.is_made,
    )


@router.post("/reports")
def ask_for_report(
    request: Request,
    actor: Annotated[Actor, Depends(require(Act.REPORT))],
    week: Annotated[str, Form(max_length=10)] = "",
    even_if_incomplete: Annotated[str, Form(max_length=5)] = "",
) -> Response:
    """Have the report of a week made."""
    room_of(request).reporter.ask(
        week_of(week, "week"), actor.name, even_if_incomplete=bool(even_if_incomplete)
    )
    return RedirectResponse("/reports?said=asked", 303)


def _offered(week: Week, *, is_open: bool) -> tuple[str, str]:
    return str(week), f"{week}, {_days(week)}{' (not over)' if is_open else ''}"


def _days(week: Week) -> str:
    first, last = week.monday, week.monday + timedelta(days=6)
    begin = f"{first.day} {first:%b}" if first.year == last.year else f"{first.day} {first:%b %Y}"
    return f"{begin} to {last.day} {last:%b %Y}"


def _line(item: ReportItem, zone: str, room: Room) -> Line:
    state = STATE_WORDS.get(item.state, "")
    if item.state == "running":
        state += f": {item.doing}"
        if item.total:
            state += f", {item.done} of {item.total}"
    asked = ""
    if item.asked_by is not None and item.asked_at is not None:
        who = "the clock" if item.asked_by == "clock" else item.asked_by
        asked = f"{who}, {_at(item.asked_at, zone, room).text}"
    return Line(
        week=item.week,
        days=_days(Week.parse(item.week)),
        state=state,
        is_failed=item.problem is not None,
        why="" if item.problem is None else item.problem.detail,
        what_to_do="" if item.problem is None else item.problem.what_to_do,
        made=None if item.made_at is None else _at(item.made_at, zone, room),
        mark="" if item.is_complete in (True, None) else "not complete",
        asked=asked,
        left_out=tuple(item.left_out),
        files=tuple(FileLink(f.href, FORM_WORDS[f.form], _size(f.bytes)) for f in item.files),
    )


def _at(text: str, zone: str, room: Room) -> Moment:
    return moment(datetime.fromisoformat(text).timestamp(), zone, room.clock())


def _size(n_bytes: int) -> str:
    return f"{n_bytes / 1e6:.1f} MB" if n_bytes >= 1e6 else f"{max(1, round(n_bytes / 1e3))} kB"
