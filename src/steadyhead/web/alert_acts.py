"""What people do with an alert. Each form ends in a redirect to the page it came from, so that reloading
sends nothing twice.
"""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.api.proving import prove
from steadyhead.api.redirects import safe_next
from steadyhead.desk.views import NewFinding
from steadyhead.errors import DeskError
from steadyhead.web.cards import zone_of
from steadyhead.web.moments import from_local_input

router = APIRouter(include_in_schema=False)

Text = Annotated[str, Form(max_length=2000)]
Seconds = Annotated[int, Form(ge=0, le=400 * 86_400)]


def _back(path: str, said: str, anchor: str = "") -> Response:
    return RedirectResponse(f"{path}?said={said}{anchor}", 303)


@router.post("/alerts/{alert_id}/acknowledge")
def acknowledge(
    request: Request,
    alert_id: str,
    actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))],
    note: Text = "",
) -> Response:
    """Somebody has seen it."""
    room_of(request).desk.acknowledge(alert_id, actor.name, note.strip())
    return _back(f"/alerts/{alert_id}", "acknowledged")


@router.post("/alerts/{alert_id}/reset")
def reset(
    request: Request,
    alert_id: str,
    actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))],
    note: Text = "",
) -> Response:
    """It is over and seen to; nothing keeps it any more."""
    room_of(request).desk.reset(alert_id, actor.name, note.strip())
    return _back(f"/alerts/{alert_id}", "reset")


@router.post("/alerts/{alert_id}/shelve")
def shelve(
    request: Request,
    alert_id: str,
    actor: Annotated[Actor, Depends(require(Act.SHELVE))],
    until: Seconds,
    why: Text = "",
) -> Response:
    """Put it aside until a time."""
    room = room_of(request)
    room.desk.shelve(alert_id, actor.name, why.strip(), int(room.clock()) + until)
    return _back(f"/alerts/{alert_id}", "shelved")


@router.post("/alerts/{alert_id}/unshelve")
def unshelve(
    request: Request, alert_id: str, actor: Annotated[Actor, Depends(require(Act.SHELVE))], why: Text = ""
) -> Response:
    """Take it back before its time."""
    room_of(request).desk.unshelve(alert_id, actor.name, why.strip())
    return _back(f"/alerts/{alert_id}", "unshelved")


@router.post("/alerts/{alert_id}/suppress")
def suppress(
    request: Request,
    alert_id: str,
    actor: Annotated[Actor, Depends(require(Act.SUPPRESS))],
    until: Seconds,
    why: Text = "",
) -> Response:
    """Suppress this condition at this station by design."""
    room = room_of(request)
    alert = room.desk.alert(alert_id).alert
    until_s = int(room.clock()) + until if until else None
    room.desk.suppress(
        actor.name, why.strip(), station=alert.station, condition=alert.condition, until_s=until_s
    )
    return _back(f"/alerts/{alert_id}", "suppressed")


@router.post("/alerts/{alert_id}/findings")
def record(
    request: Request,
    alert_id: str,
    actor: Annotated[Actor, Depends(require(Act.RECORD_FINDING))],
    cause: Annotated[str, Form(max_length=100)] = "",
    text: Text = "",
    done: Text = "",
    repaired: Annotated[str, Form(max_length=5)] = "",
    repaired_at: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """What was found at the station."""
    room = room_of(request)
    alert = room.desk.alert(alert_id).alert
    repaired_s = None
    if repaired:
        repaired_s = from_local_input(repaired_at, zone_of(room.registry, alert.station))
        if repaired_s is None:
            raise DeskError(
                f'"{repaired_at}" is no time of a repair; choose day and time of the repair at the station'
            )
    finding = NewFinding(
        station=alert.station,
        condition=alert.condition,
        alert_id=alert_id,
        cause_key=cause or None,
        text=text.strip(),
        done=done.strip(),
        repaired_s=repaired_s,
    )
    room.desk.record_finding(finding, actor.name)
    return _back(f"/alerts/{alert_id}", "found", "#findings")


@router.post("/findings/{finding_id}/prove")
def prove_repair(
    request: Request,
    finding_id: int,
    actor: Annotated[Actor, Depends(require(Act.PROVE))],
    back: Annotated[str, Form(max_length=200)] = "/",
) -> Response:
    """Compare before and after."""
    prove(room_of(request), finding_id, actor.name)
    return _back(safe_next(back), "proved", "#findings")
