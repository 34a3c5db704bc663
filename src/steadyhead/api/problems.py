"""Errors as RFC 9457 problems: one table maps what went wrong to status, title and what to do."""

from __future__ import annotations

import logging
import secrets
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from steadyhead import errors

MEDIA_TYPE = "application/problem+json"
TYPE_ROOT = "urn:steadyhead:problem:"
log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Kind:
    """A sort of problem: the last part of its ``type``, and what is the same each time it is met."""

    slug: str
    status: int
    title: str
    what_to_do: str


NOT_SIGNED_IN = Kind(
    "not-signed-in", 401, "Not signed in",
    "Sign in at /login, or send a token that is still good in the header Authorization: Bearer.",
)  # fmt: skip
SIGN_IN_REFUSED = Kind(
    "sign-in-refused", 401, "Sign-in refused", "Check name and password, or wait and try again."
)
NOT_ALLOWED = Kind(
    "not-allowed", 403, "Not allowed", "Ask an administrator for a role or a token that allows it."
)
PASSWORD_TO_CHOOSE = Kind(
    "password-to-choose", 403, "Choose a password of your own first",
    "Send old and new to POST /api/v1/me/password, or choose it on the page /me/password; then sign in anew.",
)  # fmt: skip
FACTOR_TO_SET_UP = Kind(
    "second-factor-to-set-up", 403, "Set up a second factor first",
    "Set it up on the page /me/second-factor; then sign in anew.",
)  # fmt: skip
NOT_FROM_HERE = Kind(
    "not-from-our-page", 403, "Request did not come from our own page",
    "Load the page again and repeat. A program must send a token, not a cookie.",
)  # fmt: skip
NO_SUCH_PATH = Kind(
    "no-such-path", 404, "No such address", "See /api/v1/openapi.json for the addresses there are."
)
NOT_FOUND = Kind("not-found", 404, "Not found", "List what there is, and check the name or number.")
WRONG_METHOD = Kind(
    "wrong-method", 405, "Method not allowed here", "Use one of the methods in the header Allow."
)
CONFLICT = Kind("not-now", 409, "Cannot be done", "Look at it anew; somebody may have changed it.")
TOO_LARGE = Kind("body-too-large", 413, "Body too large", "Send it in smaller parts.")
UNSUPPORTED = Kind(
    "unsupported-media-type", 415, "Media type not supported",
    "Send application/json, or text/plain with line protocol, plain or packed with gzip.",
)  # fmt: skip
UNREADABLE = Kind(
    "unreadable-body", 400, "Body cannot be read", "Mend what the detail names and send it again."
)
INVALID = Kind(
    "invalid-request", 422, "Request is not valid", "Mend the fields listed in errors and send it again."
)
NOTHING_ACCEPTED = Kind(
    "nothing-accepted", 422, "No reading could be accepted",
    "Mend the items listed in refused_items and send them again; nothing of this batch was kept.",
)  # fmt: skip
TOO_MANY = Kind("too-many-requests", 429, "Too many requests", "Wait as long as the header Retry-After says.")
INTERNAL = Kind(
    "internal-error", 500, "Something went wrong in the program",
    "Try again; if it stays, give the incident number to whoever looks after the service.",
)  # fmt: skip
NO_DATABASE = Kind(
    "database-unavailable", 503, "Database not available",
    "Wait and try again. Readings are still taken in and kept; whoever looks after the service must mend it.",
)  # fmt: skip
NO_ROOM = Kind("cannot-write", 507, "Cannot be written", "Free space on the disk or mend its rights.")
OTHER = Kind("http-error", 400, "Request refused", "See docs/api.md.")

# fmt: off
OF_ERROR: dict[type[errors.SteadyheadError], Kind] = {
    errors.SignInError: SIGN_IN_REFUSED,
    errors.AccessError: INVALID,
    errors.NotFoundError: NOT_FOUND,
    errors.DeskError: CONFLICT,
    errors.DatabaseError: NO_DATABASE,
    errors.RegistryError: INVALID,
    errors.FeedError: UNREADABLE,
    errors.ReadingsError: INVALID,
    errors.LearningError: Kind(
        "cannot-learn", 409, "Too little to learn from", "Choose a longer or a better filled span."
    ),
    errors.ProfileError: Kind("no-profile", 409, "No profile to work with", "Learn the station first."),
    errors.PlantError: INVALID,
    errors.LeftOutError: CONFLICT,
    errors.OutputError: NO_ROOM,
    errors.JournalError: Kind(
        "readings-not-accepted", 503, "Readings cannot be accepted now",
        "Keep the batch and send it again later; none of it was taken.",
    ),
    errors.IntakeError: UNREADABLE,
    errors.ArchiveError: Kind(
        "readings-unavailable", 503, "Archive of readings not available",
        "Wait and try again. New readings are still taken in and kept.",
    ),
    errors.NotifyError: INVALID,
    errors.ReportError: CONFLICT,
    errors.EmptyWeekError: Kind(
        "no-readings-in-week", 409, "No readings in that week", "Choose one of the weeks that have readings."
    ),
    errors.OpenWeekError: Kind(
        "week-not-complete", 409, "The week is not complete",
        "Wait until it is, or ask again with even_if_incomplete; the report is then marked.",
    ),
    errors.FleetError: CONFLICT,
}
# fmt: on
"""Every class of ``errors.py``; the nearest class in an error's ancestry counts."""

OF_STATUS: dict[int, Kind] = {
    kind.status: kind
    for kind in (UNREADABLE, NOT_SIGNED_IN, NOT_ALLOWED, NO_SUCH_PATH, WRONG_METHOD, TOO_LARGE, UNSUPPORTED,
                 INVALID, TOO_MANY)
}  # fmt: skip
"""For errors that the web library raises by status."""


class FieldError(BaseModel):
    """One field at fault: ``field`` is where (``query.limit``, ``body.until``), ``message`` what is wrong."""

    model_config = ConfigDict(frozen=True)

    field: str = Field(examples=["query.limit"])
    message: str = Field(examples=["Input should be less than or equal to 500"])


class Problem(BaseModel):
    """A problem as RFC 9457 has it, with what to do about it."""

    model_config = ConfigDict(extra="allow")

    type: str = Field(
        description="Names the sort of problem; never changes.", examples=[TYPE_ROOT + "not-found"]
    )
    title: str = Field(description="The sort of problem in words.", examples=["Not found"])
    status: int = Field(description="HTTP status, again.", examples=[404])
    detail: str = Field(description="What happened this time.", examples=['there is no station "elm"'])
    instance: str = Field(description="Address it happened at.", examples=["/api/v1/stations/elm"])
    what_to_do: str = Field(examples=["List what there is, and check the name or number."])
    errors: list[FieldError] | None = Field(default=None, description="Fields at fault, where there are any.")


@dataclass(slots=True)
class ProblemError(Exception):
    """Raised where a problem is met; becomes the answer. ``more`` are further members of the object."""

    kind: Kind
    detail: str
    headers: Mapping[str, str] = field(default_factory=dict)
    more: Mapping[str, Any] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.detail


def is_api(path: str) -> bool:
    """Whether a program asks, rather than a person's browser for a page."""
    return path.startswith("/api/") or path in ("/healthz", "/readyz", "/metrics")


def body_of(error: ProblemError, instance: str) -> Problem:
    """The problem object of an error."""
    return Problem(
        type=TYPE_ROOT + error.kind.slug,
        title=error.kind.title,
        status=error.kind.status,
        detail=error.detail,
        instance=instance,
        what_to_do=error.kind.what_to_do,
        **error.more,
    )


def answer(request: Request, error: ProblemError) -> Response:
    """The answer to give: a problem object to a program, a page to a person."""
    problem = body_of(error, request.url.path)
    pages = getattr(request.app.state, "pages", None)
    if pages is not None and not is_api(request.url.path):
        response = _page(pages, request, problem)
    else:
        response = _object(problem)
    response.headers.update(error.headers)
    return response


def _object(problem: Problem) -> Response:
    return JSONResponse(problem.model_dump(exclude_none=True), problem.status, media_type=MEDIA_TYPE)


def _page(pages: Any, request: Request, problem: Problem) -> Response:
    """A page; a page that cannot be made, such as for want of the database, must not hide what went wrong."""
    try:
        made: Response = pages.problem(request, problem)
    except Exception:
        log.exception("the page of a problem could not be made")
        return _object(problem)
    return made


def kind_of(error: errors.SteadyheadError) -> Kind:
    """The sort of problem that an error of ours is."""
    return next((OF_ERROR[cls] for cls in type(error).__mro__ if cls in OF_ERROR), OTHER)


def of_ours(error: errors.SteadyheadError) -> ProblemError:
    """An error of ours as a problem."""
    kind = kind_of(error)
    headers = {"Retry-After": "10"} if kind.status == 503 else {}
    return ProblemError(kind, str(error), headers)


def of_validation(error: RequestValidationError) -> ProblemError:
    """A request that does not fit the declared fields; what was sent is not told: it may be a password."""
    fields = [
        {"field": ".".join(str(part) for part in found["loc"]), "message": _told(found)}
        for found in error.errors()
    ]
    if any(found["type"] == "json_invalid" for found in error.errors()):
        at = error.errors()[0]["loc"][-1]
        reason = error.errors()[0].get("ctx", {}).get("error", "not JSON")
        return ProblemError(
            UNREADABLE, f"the body is not JSON: {reason} at character {at}; send one JSON value"
        )
    named = "; ".join(f"{item['field']}: {item['message']}" for item in fields[:3])
    more = f"; and {len(fields) - 3} more" if len(fields) > 3 else ""
    return ProblemError(INVALID, named + more, more={"errors": fields})


def _told(found: Mapping[str, Any]) -> str:
    message = str(found["msg"])
    return message.removeprefix("Value error, ")


def of_http(error: HTTPException, request: Request) -> ProblemError:
    """An error that the web library raised by its status."""
    kind = OF_STATUS.get(error.status_code)
    if kind is None:
        kind = Kind(OTHER.slug, error.status_code, OTHER.title, OTHER.what_to_do)
    details = {
        NO_SUCH_PATH.status: f"there is nothing at {request.url.path}",
        WRONG_METHOD.status: f"{request.method} is not possible at {request.url.path}",
    }
    return ProblemError(kind, details.get(error.status_code, str(error.detail)), dict(error.headers or {}))


def of_unexpected(error: Exception) -> ProblemError:
    """A defect: nothing of it is shown, all of it is logged under a number that is."""
    incident = secrets.token_hex(4)
    log.error("incident %s", incident, exc_info=error)
    return ProblemError(
        INTERNAL,
        f"an unexpected error was met and logged as incident {incident}",
        more={"incident": incident},
    )
