"""Signing in and out: the only routes of pages that this side owns."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.secrets import new_secret
from steadyhead.api import cookies
from steadyhead.api.context import context_of
from steadyhead.api.guards import check_from_here, identify, session_secret, too_many
from steadyhead.api.local import address
from steadyhead.api.redirects import safe_next
from steadyhead.errors import SignInError

router = APIRouter(include_in_schema=False)
SHOWN = 64  # characters of a name that are shown again


async def form_from_here(request: Request) -> None:
    """Hold a sign-in to the form that was shown to this browser, so that no other site can sign people in."""
    secret = cookies.read(request, cookies.FORM)
    request.state.form_secret = secret
    await check_from_here(request, secret)


@router.get("/login")
def show_form(
    request: Request, next_path: Annotated[str | None, Query(alias="next", max_length=2000)] = None
) -> Response:
    """The sign-in form; who is signed in already is sent on."""
    if identify(request) is not None:
        return RedirectResponse(safe_next(next_path), 303)
    return _form(request, safe_next(next_path), "", None)


@router.post("/login", dependencies=[Depends(form_from_here)])
async def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=200)] = "",
    password: Annotated[str, Form(max_length=1000)] = "",
    code: Annotated[str, Form(max_length=20)] = "",
    next_path: Annotated[str | None, Form(alias="next", max_length=2000)] = None,
) -> Response:
    """Open a session and go on to where the person wanted to go."""
    context = context_of(request)
    wait_s = context.limits.logins.wait_s(address(request))
    if wait_s:
        raise too_many("too many attempts to sign in from this address", wait_s)
    try:
        secret = await run_in_threadpool(context.room.accounts.login, name, password, code, address(request))
    except SignInError as exc:
        return _form(request, safe_next(next_path), name[:SHOWN], str(exc))
    old = cookies.read(request, cookies.SESSION)
    if old:
        await run_in_threadpool(context.room.accounts.logout, old)
    response = RedirectResponse(safe_next(next_path), 303)
    cookies.put(request, response, cookies.SESSION, secret)
    cookies.put(request, response, cookies.ARRIVED, "1", cookies.ARRIVED_S)
    cookies.drop(request, response, cookies.FORM)
    return response


@router.post("/logout")
async def sign_out(request: Request) -> Response:
    """End the session and show the sign-in form."""
    actor = await run_in_threadpool(identify, request)
    secret = session_secret(request)
    response = RedirectResponse("/login", 303)
    if actor is None or secret is None:
        return response
    await check_from_here(request)
    await run_in_threadpool(context_of(request).room.accounts.logout, secret)
    cookies.drop(request, response, cookies.SESSION)
    response.headers["Clear-Site-Data"] = '"cache", "storage"'
    return response


def _form(request: Request, next_path: str, name: str, refusal: str | None) -> Response:
    secret = cookies.read(request, cookies.FORM) or new_secret()
    request.state.form_secret = secret
    response: Response = request.app.state.pages.sign_in(request, next_path, name, refusal)
    cookies.put(request, response, cookies.FORM, secret, cookies.FORM_S)
    return response
