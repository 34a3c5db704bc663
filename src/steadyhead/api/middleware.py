"""What happens to every request before any route: counted, slowed down, cut off, and given its headers."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any

from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from steadyhead.access.throttle import Throttle
from steadyhead.api.guards import too_many
from steadyhead.api.local import address
from steadyhead.api.problems import INVALID, TOO_LARGE, ProblemError, answer, of_unexpected

SMALL_BODY_BYTES = 256 * 1024
"""Enough for any form or JSON of ours; batches of readings have a limit of their own."""

CONTENT_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",  # a chart library draws its picture to be saved as a data URL
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "object-src 'none'",
        "frame-ancestors 'none'",
    )
)
"""No inline script or style, no eval, nothing from elsewhere."""

HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",  # for browsers that do not know frame-ancestors
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}
STRICT_TRANSPORT = "max-age=31536000"
NOT_KEPT = "no-store"


class SecurityHeaders:
    """Sets the headers that are missing; answers are not kept in any cache unless a route says otherwise."""

    def __init__(self, app: ASGIApp, is_tls: bool) -> None:
        self.app = app
        self.is_tls = is_tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, with the headers added to the answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", NOT_KEPT)
                if self.is_tls or scope.get("scheme") == "https":
                    headers.setdefault("Strict-Transport-Security", STRICT_TRANSPORT)
            await send(message)

        await self.app(scope, receive, with_headers)


class AddressThrottle:
    """Slows down an address that asks too often, before anything else is done for it."""

    def __init__(self, app: ASGIApp, throttle: Throttle) -> None:
        self.app = app
        self.throttle = throttle

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 429."""
        if scope["type"] == "http":
            request = Request(scope)
            wait_s = self.throttle.wait_s(address(request))
            if wait_s:
                await answer(request, too_many("this address asks more often than is allowed", wait_s))(
                    scope, receive, send
                )
                return
        await self.app(scope, receive, send)


class PlainAddress:
    """Refuses an address with a zero character, which one database would take and another choke on."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 422."""
        if scope["type"] == "http" and ("\x00" in scope["path"] or b"%00" in scope["query_string"]):
            refusal = ProblemError(INVALID, "the address holds a zero character; leave it out")
            await answer(Request(scope), refusal)(scope, receive, send)
            return
        await self.app(scope, receive, send)


class BodyLimit:
    """Refuses a body over its limit, by the length it declares or else while it is read.

    limit_of : bytes allowed for a path
    """

    def __init__(self, app: ASGIApp, limit_of: Callable[[str], int]) -> None:
        self.app = app
        self.limit_of = limit_of

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or answer 413."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        limit = self.limit_of(scope["path"])
        declared = request.headers.get("content-length", "0")
        if declared.isdigit() and int(declared) > limit:
            await answer(request, _too_large(limit))(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > limit:
                # of the library's own kind, because it turns any other into "cannot be parsed"
                raise HTTPException(TOO_LARGE.status, str(_too_large(limit)))
            return message

        await self.app(scope, counted, send)


def _too_large(limit: int) -> ProblemError:
    return ProblemError(
        TOO_LARGE, f"the body has more than {limit:,} bytes, which is the most that is taken here"
    )


Observe = Callable[[str, str, int, float], None]
"""Told of each answer: method, route, status, seconds until its headers were sent."""


class Counted:
    """Tells how each request went, under the route's pattern and not the address asked for.

    patterns : address pattern by the function that answers there; what has none is "other"
    """

    def __init__(self, app: ASGIApp, observe: Observe, patterns: Mapping[Any, str]) -> None:
        self.app = app
        self.observe = observe
        self.patterns = patterns

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, and tell."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = time.perf_counter()
        status, took_s = 500, 0.0

        async def noted(message: Message) -> None:
            nonlocal status, took_s
            if message["type"] == "http.response.start":
                status, took_s = message["status"], time.perf_counter() - started
            await send(message)

        try:
            await self.app(scope, receive, noted)
        finally:
            took_s = took_s or time.perf_counter() - started
            pattern = self.patterns.get(scope.get("endpoint"), "other")
            self.observe(scope["method"], pattern, status, took_s)


class Unexpected:
    """Answers a defect with a problem, inside the other layers, so that it carries their headers too."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on; what nobody caught is logged and answered 500, if the answer has not begun."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        has_begun = False

        async def noted(message: Message) -> None:
            nonlocal has_begun
            has_begun = has_begun or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, noted)
        except Exception as exc:
            if has_begun:
                raise
            await answer(Request(scope), of_unexpected(exc))(scope, receive, send)
