"""The application: routes, middleware and error answers around a room."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import asynccontextmanager
from importlib.metadata import version
from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from steadyhead.access.actor import Act, Actor
from steadyhead.api import (
    accounts,
    alerts,
    events,
    feeds,
    findings,
    health,
    load,
    notifications,
    openapi,
    problems,
    profiles,
    readings,
    reports,
    sign_in,
    stations,
    suppressions,
)
from steadyhead.api.context import Context, limits
from steadyhead.api.guards import page_actor, require
from steadyhead.api.hub import Hub
from steadyhead.api.local import address
from steadyhead.api.metrics import Metrics
from steadyhead.api.middleware import (
    SMALL_BODY_BYTES,
    AddressThrottle,
    BodyLimit,
    Counted,
    PlainAddress,
    SecurityHeaders,
    Unexpected,
)
from steadyhead.api.problems import ProblemError
from steadyhead.api.seam import Pages
from steadyhead.errors import SteadyheadError
from steadyhead.live.room import Room
from steadyhead.web.pages import WebPages

log = logging.getLogger(__name__)
PREFIX = "/api/v1"
V1 = (
    alerts, stations, findings, suppressions, readings, feeds, notifications, profiles, load, events,
    accounts, reports,
)  # fmt: skip


def make_app(room: Room, pages: Pages | None = None) -> FastAPI:
    """The application around a room: API, sign-in, health, metrics and pages.

    pages : those of ``web`` if left out; tests of the API alone give ``seam.PlainPages``
    The room is started with the application and stopped with it.
    """
    settings = room.settings.access
    hub = Hub(room.news)
    context = Context(room, settings, limits(settings), hub)
    metrics = Metrics(context)
    app = FastAPI(
        title="Steadyhead",
        version=version("steadyhead"),
        docs_url=None,  # the usual page of the library loads its scripts from elsewhere
        redoc_url=None,
        openapi_url=None,
        lifespan=_lifespan,
        redirect_slashes=False,
    )
    app.state.context = context
    app.state.metrics = metrics
    app.state.pages = WebPages() if pages is None else pages
    _answer_errors(app)
    for module in V1:
        app.include_router(module.router, prefix=PREFIX)
    app.include_router(_document_router(app))
    app.include_router(health.router)
    app.include_router(sign_in.router)
    app.include_router(app.state.pages.router)
    # the last one added is the first to see a request
    app.add_middleware(Unexpected)
    app.add_middleware(PlainAddress)
    app.add_middleware(BodyLimit, limit_of=lambda path: _body_limit(path, settings.max_body_bytes))
    app.add_middleware(AddressThrottle, throttle=context.limits.by_address)
    app.add_middleware(SecurityHeaders, is_tls=settings.cookie_secure)
    app.add_middleware(Counted, observe=metrics.observe, patterns=openapi.patterns(app))
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    context: Context = app.state.context
    await run_in_threadpool(context.room.start)
    context.hub.start()
    try:
        yield
    finally:
        await run_in_threadpool(context.hub.stop)
        await run_in_threadpool(context.room.stop)


def _body_limit(path: str, most: int) -> int:
    return most if path == readings.PATH else SMALL_BODY_BYTES


def _document_router(app: FastAPI) -> APIRouter:
    router = APIRouter(include_in_schema=False)
    made: dict[str, Any] = {}

    @router.get(f"{PREFIX}/openapi.json")
    def document(_: Annotated[Actor, Depends(require(Act.SELF))]) -> JSONResponse:
        """What there is, for programs that read such a document."""
        return JSONResponse(app.openapi())

    def build() -> dict[str, Any]:
        if not made:
            made.update(openapi.build(app, app.version))
        return made

    app.openapi = build  # type: ignore[method-assign] # the way the library documents
    return router


Handler = Callable[[Request, Any], Coroutine[Any, Any, Response]]


def _answer_errors(app: FastAPI) -> None:
    def handler(turned: Callable[[Request, Any], ProblemError]) -> Handler:
        async def handle(request: Request, error: Any) -> Response:
            return problems.answer(request, turned(request, error))

        return handle

    app.add_exception_handler(ProblemError, handler(lambda _, error: error))
    app.add_exception_handler(SteadyheadError, handler(lambda _, error: problems.of_ours(error)))
    app.add_exception_handler(RequestValidationError, handler(_of_validation))
    app.add_exception_handler(HTTPException, handler(lambda request, error: problems.of_http(error, request)))


def _of_validation(request: Request, error: RequestValidationError) -> ProblemError:
    """Invalid input is logged by its fields; what was sent is not, it may be a password."""
    problem = problems.of_validation(error)
    # a name that is not known may be a value in the wrong place
    known = (found["loc"] for found in error.errors() if found["type"] != "extra_forbidden")
    fields = ", ".join(sorted({".".join(str(part) for part in loc) for loc in known})) or "unknown fields"
    who = page_actor(request)
    by = address(request) if who is None else who.key
    log.warning(
        "invalid input from %s: %s %s: %s",
        ascii(by),
        request.method,
        ascii(request.url.path[:200]),
        ascii(fields[:300]),
    )
    return problem
