"""Pages of a list: the header Link (RFC 8288) beside the cursor in the body."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

LINK_HEADER = {
    "Link": {
        "description": 'Addresses of the first and the next page (RFC 8288): `rel="first"`, `rel="next"`.',
        "schema": {"type": "string"},
    }
}


def link_pages(request: Request, response: Response, after: str | None) -> None:
    """Add the links of this list; ``after`` is the cursor of the next page, None at the end."""
    first = request.url.remove_query_params(["after"])
    links = [f'<{_local(str(first))}>; rel="first"']
    if after is not None:
        links.append(f'<{_local(str(first.include_query_params(after=after)))}>; rel="next"')
    response.headers["Link"] = ", ".join(links)


def _local(url: str) -> str:
    """Path and query only: behind a proxy the host we see is not the one the caller knows."""
    return "/" + url.split("://", 1)[-1].partition("/")[2]
