"""Files the browser loads: our own from this package, the chart library from its installed package.

Each address carries a digest of the content, so it may be kept for a year and is asked for anew after an
update. The chart library is packed once, when it is first asked for: 4.8 MB go over the wire as 1.4 MB.
"""

from __future__ import annotations

import gzip
import hashlib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.web.charts import LIBRARY, library_bytes

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
}
OUR_FILES = ("style.css", "sheet.css", "chart.css", "page.js", "password.js", "chart.js", "icon.svg")
YEAR = "public, max-age=31536000, immutable"

router = APIRouter(include_in_schema=False)


@dataclass(frozen=True, slots=True)
class _File:
    content: bytes
    packed: bytes
    kind: str
    digest: str


@cache
def _file(name: str) -> _File:
    content = (
        library_bytes() if name == LIBRARY else files("steadyhead.web").joinpath("static", name).read_bytes()
    )
    kind = TYPES["." + name.rpartition(".")[2]]
    return _File(content, gzip.compress(content, 6, mtime=0), kind, hashlib.sha256(content).hexdigest()[:12])


def static_url(name: str) -> str:
    """Where a page finds the file of that name."""
    if name == LIBRARY:  # not packed for its address alone
        return f"/static/{name}?v={_library_digest()}"
    return f"/static/{name}?v={_file(name).digest}"


@cache
def _library_digest() -> str:
    return hashlib.sha256(library_bytes()).hexdigest()[:12]


@router.get("/static/{name}")
def static(name: str, request: Request) -> Response:
    """A file of a fixed list; nothing else can be asked for. Needs no session: it holds no data."""
    if name not in OUR_FILES and name != LIBRARY:
        return Response("there is no such file\n", 404, media_type="text/plain")
    found = _file(name)
    headers = {"Cache-Control": YEAR, "ETag": f'"{found.digest}"', "Vary": "Accept-Encoding"}
    if request.headers.get("if-none-match") == headers["ETag"]:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        return Response(found.packed, media_type=found.kind, headers={**headers, "Content-Encoding": "gzip"})
    return Response(found.content, media_type=found.kind, headers=headers)
