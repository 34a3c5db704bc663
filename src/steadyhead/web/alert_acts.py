"""What people do with an alert. Each form ends in a redirect to the page it came from, so that reloading
sends nothing twice.
"""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import Act, Actor, may
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.api.problems import NOT_ALLOWED, ProblemError
from steadyhead.api.proving import prove
from steadyhead.api.redirects import safe_next
from steadyhead.desk.views import NewFinding
from steadyhead.errors import DeskError, NotFoundError
from steadyhead.live.room import Room
from steadyhead.web.cards import name_of, zone_of
from steadyhead.web.frame import render
from steadyhead.web.moments import from_local_input
from steadyhead.web.shelf import until_of

router = APIRouter(include_in_schema=False)
MOST_AT_ONCE = 500

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
    until: Annotated[str, Form(max_length=20)] = "",
    clock: Annotated[str, Form(max_length=20)] = "",
    why: Text = "",
) -> Response:
    """Put it aside until a time."""
    room = room_of(request)
    _shelve(room, alert_id, actor, until, clock, why.strip())
    return _back(f"/alerts/{alert_id}", "shelved")


def _shelve(room: Room, alert_id: str, actor: Actor, until: str, clock: str, why: str) -> None:
    zone = zone_of(room.registry, room.desk.alert(alert_id).alert.station)
    until_s = until_of(until, clock, zone, room.clock())
    if isinstance(until_s, str):
        raise DeskError(until_s)
    room.desk.shelve(alert_id, actor.name, why, until_s)


@router.post("/acts")
def act_on_several(
    request: Request,
    actor: Annotated[Actor, Depends(require(Act.ACKNOWLEDGE))],
    act: Annotated[Literal["acknowledge", "shelve"], Form()],
    ids: Annotated[list[str] | None, Form()] = None,
    note: Text = "",
    until: Annotated[str, Form(max_length=20)] = "",
    clock: Annotated[str, Form(max_length=20)] = "",
    back: Annotated[str, Form(max_length=1000)] = "/",
) -> Response:
    """The same for every alert that was chosen in the list; what cannot be done to one stops no other."""
    room = room_of(request)
    if act == "shelve" and not may(actor, Act.SHELVE):
        raise ProblemError(NOT_ALLOWED, f'"{actor.name}" may not shelve an alert')
    chosen = list(dict.fromkeys(one for several in ids or [] for one in several.split(",") if one))
    if not chosen:
        raise DeskError("no alert was chosen; tick at least one in the list")
    left = []
    for alert_id in chosen[:MOST_AT_ONCE]:
        try:
            if act == "acknowledge":
                room.desk.acknowledge(alert_id, actor.name, note.strip())
            else:
                _shelve(room, alert_id, actor, until, clock, note.strip())
        except (DeskError, NotFoundError) as exc:
            left.append((alert_id, str(exc)))
    left += [(alert_id, f"more than {MOST_AT_ONCE} were chosen") for alert_id in chosen[MOST_AT_ONCE:]]
    back = safe_next(back)
    if left:
        return render(
            request,
            "left.html",
            409,
            actor=actor,
            n_done=len(chosen) - len(left),
            done_words="acknowledged" if act == "acknowledge" else "shelved",
            left=[(name_of(room, alert_id), f"/alerts/{alert_id}", why) for alert_id, why in left],
            way_back=back,
        )
    path = back.partition("?")
    kept = [part for part in path[2].split("&") if part and not part.startswith(("said=", "n="))]
    said = "acknowledged_all" if act == "acknowledge" else "shelved_all"
    return RedirectResponse(f"{path[0]}?{'&'.join([*kept, f'said={said}', f'n={len(chosen)}'])}", 303)


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
            said = (
                f'the time of the repair, "{repaired_at}", cannot be read'
                if repaired_at.strip()
                else ("no time of the repair was given")
            )
            raise DeskError(f"{said}; choose day and time of the repair at the station")
        if repaired_s > room.clock() + 60:
            raise DeskError("the time of the repair lies in the future; record it once it is done")
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
