"""Health for whatever keeps the service running, and metrics for whatever draws them."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter
from pydantic import Field
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response

from steadyhead.access.actor import Act, may
from steadyhead.api.context import Context, context_of
from steadyhead.api.docs import refusals
from steadyhead.api.guards import CHALLENGE, identify
from steadyhead.api.local import is_local
from steadyhead.api.problems import NOT_ALLOWED, NOT_SIGNED_IN, ProblemError
from steadyhead.api.shapes import Shape
from steadyhead.errors import DatabaseError

router = APIRouter(tags=["health"])
STATES_READY = ("running", "replaying")


class Alive(Shape):
    """The process answers."""

    status: Literal["alive"] = "alive"


class Ready(Shape):
    """Whether everything works."""

    status: Literal["ready", "not_ready"]
    reasons: list[str] | None = Field(
        default=None,
        description="What does not work. Only told to whoever may read, or asks from this machine.",
    )


@router.get("/healthz", summary="Is the process alive")
async def alive() -> Alive:
    """The process answers. Restart it if this does not. Open to everybody; says nothing else."""
    return Alive()


@router.get(
    "/readyz",
    summary="Does everything work",
    response_model=Ready,
    responses={503: {"model": Ready, "description": "Something does not work."}, **refusals(429)},
)
def ready(request: Request) -> JSONResponse:
    """Database, archive, journal and judging all work.

    Not ready does not mean that readings are refused: they are taken in as long as the journal can be
    written. Do not turn senders away by this.
    """
    reasons = not_ready(context_of(request))
    answer = Ready(
        status="not_ready" if reasons else "ready", reasons=reasons if _may_know(request) else None
    )
    return JSONResponse(answer.model_dump(exclude_none=True), 503 if reasons else 200)


def not_ready(context: Context) -> list[str]:
    """What does not work, one sentence each."""
    status = context.room.runner.status()
    reasons = [
        f"{what}: {words or 'does not work'}"
        for what, is_ok, words in (
            ("database", status.database_ok, status.database_words),
            ("archive", status.archive_ok, status.archive_words),
            ("journal", status.journal_ok, status.journal_words),
        )
        if not is_ok
    ]
    if status.database_ok:
        try:
            context.room.database.check()
        except DatabaseError as exc:
            reasons.insert(0, f"database: {exc}")
    if status.state not in STATES_READY:
        reasons.append(f"judging: {status.words}")
    return reasons


@router.get(
    "/metrics",
    summary="Prometheus metrics",
    response_class=PlainTextResponse,
    responses={
        200: {
            "description": "Prometheus text format.",
            "content": {"text/plain": {"example": "steadyhead_backlog_items 0.0\n"}},
        },
        **refusals(401, 403, 429, 503),
    },
)
def metrics(request: Request) -> Response:
    """Counters and gauges of the service, with no word of any single person, alert or station.

    From this machine without a token; from elsewhere with one of scope read.
    """
    if not is_local(request) or "authorization" in request.headers:
        actor = identify(request)
        if actor is None:
            raise ProblemError(
                NOT_SIGNED_IN, "from another machine metrics need a token of scope read", CHALLENGE
            )
        if not may(actor, Act.READ):
            raise ProblemError(NOT_ALLOWED, "metrics need a token of scope read")
    text, media_type = request.app.state.metrics.text()
    return Response(text, media_type=media_type)


def _may_know(request: Request) -> bool:
    if is_local(request):
        return True
    try:
        actor = identify(request)
    except (ProblemError, DatabaseError):
        return False
    return actor is not None and may(actor, Act.READ)
