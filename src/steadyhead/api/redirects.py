"""Where a browser may be sent after signing in: only to our own addresses."""

from __future__ import annotations

from urllib.parse import quote, urlsplit

from starlette.requests import Request

HOME = "/"
LONGEST = 1000


def safe_next(wanted: str | None) -> str:
    r"""The address wanted, if it is a path of this service; the first page otherwise.

    Refused: other hosts in any spelling that browsers know (``//host``, ``/\host``, ``https:host``), control
    characters, and the sign-in and sign-out addresses themselves.
    """
    if not wanted or len(wanted) > LONGEST or not wanted.startswith("/") or wanted.startswith("//"):
        return HOME
    if "\\" in wanted or any(ord(c) <= 32 or ord(c) == 127 for c in wanted):
        return HOME
    try:
        parts = urlsplit(wanted)
    except ValueError:
        return HOME
    if parts.scheme or parts.netloc or parts.path.rstrip("/") in ("/login", "/logout"):
        return HOME
    return wanted


def login_address(request: Request) -> str:
    """The sign-in form, with the way back to what was asked for."""
    return way_there(request, "/login")


def way_there(request: Request, path: str) -> str:
    """One of our own addresses, with the way back to what was asked for."""
    asked = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    back = safe_next(asked) if request.method in ("GET", "HEAD") else HOME
    return path if back == HOME else f"{path}?next={quote(back, safe='')}"
