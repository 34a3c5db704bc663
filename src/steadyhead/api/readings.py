"""Readings pushed by programs: JSON or line protocol, in batches, plain or packed."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query
from pydantic import Field
from starlette.requests import Request

from steadyhead.access.actor import Act, Actor
from steadyhead.api.body import unpacked
from steadyhead.api.context import InRoom
from steadyhead.api.docs import refusals
from steadyhead.api.guards import require
from steadyhead.api.problems import NOTHING_ACCEPTED, UNSUPPORTED, ProblemError
from steadyhead.api.shapes import Shape
from steadyhead.live.intake import Precision, PushAnswer

router = APIRouter(prefix="/readings", tags=["readings"])
PATH = "/api/v1/readings"
JSON_TYPES = ("application/json",)
LINE_TYPES = ("text/plain", "application/vnd.influx.line-protocol", "application/x-line-protocol")
MOST_LISTED = 200
"""Refused items told one by one; all are counted, and kept where docs/service.md says."""

_JSON_EXAMPLE = [
    {
        "station": "harbour_east",
        "role": "outlet",
        "time": "2025-10-17T06:00:00Z",
        "value": 58.2,
        "unit": "psi",
    },
    {"station": "harbour_east", "tag": "HE_FLOW", "time": 1760680800, "value": 41.0, "quality": "good"},
    {"station": "mill_weir", "time": "2025-10-17T06:00:00Z", "values": {"inlet": 612.0, "outlet": 401.5}},
]
_LINE_EXAMPLE = "prv,station=harbour_east outlet=58.2,inlet=102.4,flow=41 1760680800000000000\n"
_BODY: dict[str, Any] = {
    "required": True,
    "description": "JSON: one item or a list of items, each with one value or with several `values` by role. "
    "Text: InfluxDB line protocol with a tag `station` and fields named as roles or tags. Values are in the "
    "registry's unit of the tag unless an item says another. Either may be packed with "
    "`Content-Encoding: gzip`.",
    "content": {
        "application/json": {
            "schema": {"$ref": "#/components/schemas/ReadingItems"},
            "example": _JSON_EXAMPLE,
        },
        "text/plain": {"schema": {"type": "string"}, "example": _LINE_EXAMPLE},
    },
}


class RefusedItem(Shape):
    """An item, or one value of it, that was not taken."""

    index: int = Field(description="Place in the batch, from 0; the line, from 0, in line protocol.")
    where: str = Field(examples=["values.inlet"])
    reason: str = Field(examples=["7200 s ahead of the clock; mend the clock or the time zone of the sender"])


class Pushed(Shape):
    """What became of a batch."""

    accepted: int = Field(description="Values now kept, safe from a power cut.")
    late: int = Field(description="Values older than the horizon: kept, not judged.")
    refused: int = Field(description="Values or items not taken.")
    refused_items: list[RefusedItem] = Field(
        description=f"The first {MOST_LISTED} of the refused.", max_length=MOST_LISTED
    )


@router.post(
    "",
    summary="Push readings",
    responses=refusals(400, 401, 403, 413, 415, 422, 429, 503),
    openapi_extra={"requestBody": _BODY},
)
def push(
    request: Request,
    room: InRoom,
    actor: Annotated[Actor, Depends(require(Act.WRITE_READINGS))],
    body: Annotated[bytes, Depends(unpacked)],
    precision: Annotated[
        Precision, Query(description="Unit of the time stamps of line protocol; JSON does not use it.")
    ] = "ns",
) -> Pushed:
    """Take a batch of readings.

    Each item stands for itself: the good ones are kept although others are refused, and the answer says which
    and why. Sending the same readings again changes nothing. 422 is answered only if nothing at all was kept.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    source = f"push:{actor.name}"
    if kind in JSON_TYPES:
        answer = room.intake.push_json(body, source)
    elif kind in LINE_TYPES:
        answer = room.intake.push_lines(body, precision, source)
    else:
        raise ProblemError(
            UNSUPPORTED,
            f'the content type "{kind[:60]}" is not known; send application/json, or text/plain with '
            "line protocol",
        )
    return _told(answer)


def _told(answer: PushAnswer) -> Pushed:
    items = [
        RefusedItem(index=item.index, where=item.where, reason=item.reason)
        for item in answer.refused[:MOST_LISTED]
    ]
    if answer.refused and not answer.accepted and not answer.late:
        first = items[0]
        n = len(answer.refused)
        told = "the only one was refused" if n == 1 else f"all {n} were refused; the first"
        at = f"{first.where}: " if first.where else ""
        raise ProblemError(
            NOTHING_ACCEPTED,
            f"{told}, item {first.index}, {at}{first.reason}",
            more={"refused": n, "refused_items": [item.model_dump() for item in items]},
        )
    return Pushed(
        accepted=answer.accepted, late=answer.late, refused=len(answer.refused), refused_items=items
    )
