"""Who asks, and whether they may: the dependency that every route carries.

``require(act)`` finds the person (session cookie) or program (bearer token), refuses what they may not do,
slows down who asks too often, and holds an unsafe request with a cookie to the session's CSRF token. Pages
use it too; ``page_actor`` and ``csrf_field`` are for their templates.
"""

from __future__ import annotations

import logging
from collections.abc import Awaitable, Callable
from functools import cache
from urllib.parse import urlsplit

from markupsafe import Markup
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from steadyhead.access.actor import IN_WORDS, Act, Actor, Owes, may, who_may
from steadyhead.access.secrets import csrf_of, same
from steadyhead.api import cookies
from steadyhead.api.context import context_of
from steadyhead.api.local import address
from steadyhead.api.problems import (
    FACTOR_TO_SET_UP,
    INVALID,
    NOT_ALLOWED,
    NOT_FROM_HERE,
    NOT_SIGNED_IN,
    PASSWORD_TO_CHOOSE,
    TOO_MANY,
    Kind,
    ProblemError,
)
from steadyhead.api.text import fault_of_text

log = logging.getLogger(__name__)
SAFE_METHODS = ("GET", "HEAD", "OPTIONS")
CSRF_HEADER = "X-CSRF-Token"
CSRF_FIELD = "csrf"
SCHEMES = ("bearer", "token")  # "Token" is what programs that write line protocol often send
CHALLENGE = {"WWW-Authenticate": 'Bearer realm="steadyhead"'}
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")

Guard = Callable[[Request], Awaitable[Actor]]

OWED: dict[Owes, tuple[Kind, str]] = {
    "own_password": (
        PASSWORD_TO_CHOOSE,
        'the password of "{}" was set by somebody else; it is good for choosing an own one and nothing else',
    ),
    "second_factor": (FACTOR_TO_SET_UP, 'the account "{}" needs a second factor before anything else'),
}
"""What a person is told who still owes something."""


@cache
def require(act: Act) -> Guard:
    """A dependency that lets through whoever may do ``act``, and gives their Actor.

    Raises ProblemError 401, 403 or 429; DatabaseError if the database is lost and the caller is unknown.
    """

    async def guard(request: Request) -> Actor:
        actor = await run_in_threadpool(identify, request)
        if actor is None:
            raise ProblemError(NOT_SIGNED_IN, "this needs a session or a token; none was sent", CHALLENGE)
        _slow_down(request, actor, act)
        if not may(actor, act):
            if actor.owes is not None:
                kind, detail = OWED[actor.owes]
                raise ProblemError(kind, detail.format(actor.name))
            log.warning("refused to %s: %s %s", actor.key, request.method, ascii(request.url.path))
            raise ProblemError(
                NOT_ALLOWED, f'"{actor.name}" may not {IN_WORDS[act]}; that takes {who_may(act)}'
            )
        if session_secret(request) is not None and request.method not in SAFE_METHODS:
            await check_from_here(request)
        return actor

    guard.act = act  # type: ignore[attr-defined] # read by the tests and the OpenAPI, to know what a route needs
    return guard


def identify(request: Request) -> Actor | None:
    """The person or program behind the request; None if it brings neither session nor token.

    A token that is no longer good is refused even if a cookie would do: the program that sent it must know.
    """
    known: Actor | None = getattr(request.state, "actor", None)
    if known is not None:
        return known
    accounts = context_of(request).room.accounts
    header = request.headers.get("authorization")
    if header is not None:
        scheme, _, secret = header.partition(" ")
        if scheme.lower() not in SCHEMES:
            raise ProblemError(
                NOT_SIGNED_IN,
                f'the scheme "{scheme[:20]}" of Authorization is not known; use Bearer',
                CHALLENGE,
            )
        actor = accounts.by_token(secret.strip())
        if actor is None:
            why_not = accounts.tokens.why_not(secret.strip())
            log.warning("refused a token from %s: %s", ascii(address(request)), why_not)
            raise ProblemError(NOT_SIGNED_IN, why_not, CHALLENGE)
    else:
        cookie = cookies.read(request, cookies.SESSION)
        actor = accounts.who(cookie) if cookie else None
        if actor is not None:
            request.state.session_secret = cookie
    if actor is not None:
        request.state.actor = actor
    return actor


def page_actor(request: Request) -> Actor | None:
    """Who looks at this page; None on the sign-in form and on errors met before anybody was known."""
    actor: Actor | None = getattr(request.state, "actor", None)
    return actor


def session_secret(request: Request) -> str | None:
    """The secret of the session that this request came with, after ``require`` has found it good."""
    secret: str | None = getattr(request.state, "session_secret", None)
    return secret


def csrf_token(request: Request) -> str:
    """What a script of our page sends as ``X-CSRF-Token``; "" where there is no session and no form."""
    secret = session_secret(request) or getattr(request.state, "form_secret", None)
    return csrf_of(secret) if secret else ""


def csrf_field(request: Request) -> Markup:
    """The hidden field that every form that posts must hold."""
    return Markup('<input type="hidden" name="{}" value="{}">').format(CSRF_FIELD, csrf_token(request))


async def check_from_here(request: Request, secret: str | None = None) -> None:
    """Raise ProblemError 403 unless an unsafe request comes from one of our own pages.

    secret : of the session, or of the sign-in form; that of the request's session if left out
    """
    site = request.headers.get("sec-fetch-site")
    if site is not None and site not in ("same-origin", "none"):
        raise ProblemError(NOT_FROM_HERE, f"the browser says that the request comes from a {site} page")
    origin = request.headers.get("origin")
    if origin is not None and urlsplit(origin).netloc != request.headers.get("host"):
        raise ProblemError(NOT_FROM_HERE, "the header Origin names another place than the header Host")
    sent = request.headers.get(CSRF_HEADER)
    if sent is None and request.headers.get("content-type", "").partition(";")[0].strip() in _FORMS:
        sent = await _field_of_form(request)
    secret = secret or session_secret(request)
    if not sent:
        raise ProblemError(
            NOT_FROM_HERE, f"neither the header {CSRF_HEADER} nor the form field {CSRF_FIELD} was sent"
        )
    if secret is None or not same(sent, csrf_of(secret)):
        raise ProblemError(NOT_FROM_HERE, "its form is of another session, or of one that is over")


async def _field_of_form(request: Request) -> str | None:
    """The CSRF field; the other fields are looked through on the way."""
    form = await request.form()
    for name, value in form.multi_items():
        fault = fault_of_text(value) if isinstance(value, str) else None
        if fault is not None:
            raise ProblemError(INVALID, f"body.{name}: {fault}")
    field = form.get(CSRF_FIELD)
    return field if isinstance(field, str) else None


def too_many(what: str, wait_s: float) -> ProblemError:
    """A refusal that says how long to wait."""
    seconds = max(1, round(wait_s + 0.5))
    return ProblemError(TOO_MANY, f"{what}; wait {seconds} s", {"Retry-After": str(seconds)})


def _slow_down(request: Request, actor: Actor, act: Act) -> None:
    throttles = context_of(request).limits
    throttle = throttles.pushes if act is Act.WRITE_READINGS else throttles.by_actor
    wait_s = throttle.wait_s(actor.key)
    if wait_s:
        raise too_many(f'"{actor.name}" asks more often than is allowed', wait_s)
