"""The cookies.

One is the session's, one ties the sign-in form to the browser it was shown to, and one has the first page
after a sign-in tell what happened to the account.
"""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

SESSION = "steadyhead_session"
FORM = "steadyhead_form"
HOST_PREFIX = "__Host-"  # browsers take such a cookie only with Secure, path / and no domain (RFC 6265bis)
FORM_S = 3600
ARRIVED = "steadyhead_arrived"
ARRIVED_S = 300


def is_secure(request: Request) -> bool:
    """Whether cookies are to be sent over TLS only: reached by https, or told so by ``cookie_secure``."""
    return bool(request.app.state.context.settings.cookie_secure) or request.url.scheme == "https"


def read(request: Request, name: str) -> str | None:
    """The cookie's value; None if the browser sent none."""
    return request.cookies.get(_full(request, name))


def put(request: Request, response: Response, name: str, value: str, max_age_s: int | None = None) -> None:
    """Set a cookie that scripts cannot read and other sites cannot make a browser post with.

    SameSite is Lax rather than Strict, so that a link in an e-mail about an alert opens the alert.
    """
    response.set_cookie(
        _full(request, name),
        value,
        max_age=max_age_s,
        path="/",
        secure=is_secure(request),
        httponly=True,
        samesite="lax",
    )


def drop(request: Request, response: Response, name: str) -> None:
    """Have the browser forget a cookie."""
    response.delete_cookie(
        _full(request, name), path="/", secure=is_secure(request), httponly=True, samesite="lax"
    )


def _full(request: Request, name: str) -> str:
    return HOST_PREFIX + name if is_secure(request) else name
