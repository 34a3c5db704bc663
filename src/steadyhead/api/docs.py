"""What the OpenAPI says of refusals, so that each route needs only their numbers."""

from __future__ import annotations

from typing import Any

from steadyhead.api import problems
from steadyhead.api.problems import MEDIA_TYPE, TYPE_ROOT, Kind

_KINDS: dict[int, tuple[Kind, str]] = {
    400: (problems.UNREADABLE, "the body is not JSON: Expecting value at character 0; send one JSON value"),
    401: (problems.NOT_SIGNED_IN, "this needs a session or a token; none was sent"),
    403: (
        problems.NOT_ALLOWED,
        '"kim" may not prove repairs; that takes the role engineer or administrator',
    ),
    404: (problems.NOT_FOUND, 'there is no station "elm_street"'),
    409: (problems.CONFLICT, "the alert is normal, so there is nothing to acknowledge"),
    413: (problems.TOO_LARGE, "the body has more than 262,144 bytes, which is the most that is taken here"),
    415: (problems.UNSUPPORTED, 'the content encoding "br" is not known; use gzip or none'),
    422: (problems.INVALID, "query.limit: Input should be less than or equal to 500"),
    429: (problems.TOO_MANY, '"historian" asks more often than is allowed; wait 4 s'),
    503: (problems.NO_DATABASE, "postgresql://host/steadyhead: cannot be reached; check that it runs"),
    507: (problems.NO_ROOM, "data/journal.db: the disk is full; free space on it"),
}


def refusals(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Entries for ``responses=`` of a route: each a problem with an example."""
    return {status: _refusal(status) for status in statuses}


def _refusal(status: int) -> dict[str, Any]:
    kind, detail = _KINDS[status]
    example = {
        "type": TYPE_ROOT + kind.slug,
        "title": kind.title,
        "status": status,
        "detail": detail,
        "instance": "/api/v1/...",
        "what_to_do": kind.what_to_do,
    }
    content = {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}, "example": example}}
    return {"description": kind.title + ".", "content": content}


READING = (401, 403, 422, 429, 503)
"""What any route that reads may refuse with."""

CHANGING = (400, 401, 403, 404, 409, 413, 422, 429, 503)
"""What any route that changes one thing may refuse with."""
