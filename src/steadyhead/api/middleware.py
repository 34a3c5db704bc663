"""What happens to every request before any route: counted, slowed down, cut off, and given its headers."""

from __future__ import annotations

import time
from collections.abc import Callable

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from steadyhead.access.throttle import Throttle
from steadyhead.api.guards import address, too_many
from steadyhead.api.problems import TOO_LARGE, ProblemError, answer

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


class _TooLongError(Exception):
    """The body grew over its limit while it was read."""


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
        seen, has_begun = 0, False

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > limit:
                raise _TooLongError
            return message

        async def noted(message: Message) -> None:
            nonlocal has_begun
            has_begun = has_begun or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, counted, noted)
        except _TooLongError:
            if not has_begun:
                await answer(request, _too_large(limit))(scope, receive, send)


def _too_large(limit: int) -> ProblemError:
    return ProblemError(
        TOO_LARGE, f"the body has more than {limit:,} bytes, which is the most that is taken here"
    )


Observe = Callable[[str, str, int, float], None]
"""Told of each answer: method, route, status, seconds until its headers were sent."""


class Counted:
    """Tells how each request went, under the route's pattern and not the address asked for."""

    def __init__(self, app: ASGIApp, observe: Observe) -> None:
        self.app = app
        self.observe = observe

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
            self.observe(scope["method"], route_of(scope), status, took_s or time.perf_counter() - started)


def route_of(scope: Scope) -> str:
    """Pattern of the route that answered; "other" where none did."""
    path = getattr(scope.get("route"), "path", None)
    return path if isinstance(path, str) and path else "other"
