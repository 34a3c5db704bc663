"""Pages to choose a password and to set up a second factor; also before anything else is shown."""

from __future__ import annotations

from typing import Annotated
from urllib.parse import quote

import segno
from fastapi import APIRouter, Depends, Form, Query
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access import second_factor
from steadyhead.access.actor import Act, Actor
from steadyhead.access.secrets import same, seal
from steadyhead.api.accounts import slow_down_passwords
from steadyhead.api.context import room_of
from steadyhead.api.guards import require, session_secret
from steadyhead.api.local import address
from steadyhead.api.problems import NOT_ALLOWED, NOT_FROM_HERE, ProblemError
from steadyhead.api.redirects import HOME, safe_next
from steadyhead.errors import AccessError, SignInError
from steadyhead.web.frame import render

router = APIRouter(include_in_schema=False)
Arriving = Annotated[Actor, Depends(require(Act.ENTER))]
SettingUp = Annotated[Actor, Depends(require(Act.SET_UP_FACTOR))]
Oneself = Annotated[Actor, Depends(require(Act.SELF))]
Secret = Annotated[str, Form(max_length=200)]
Code = Annotated[str, Form(max_length=20)]
Next = Annotated[str | None, Query(alias="next", max_length=2000)]
NextOfForm = Annotated[str | None, Form(alias="next", max_length=2000)]


@router.get("/me/password")
def show_password(request: Request, actor: Arriving, next_path: Next = None) -> Response:
    """The form to choose a password."""
    _person(request, actor)
    return _password_form(request, actor, safe_next(next_path), None)


@router.post("/me/password")
def change_password(
    request: Request, actor: Arriving, old: Secret, new: Secret, next_path: NextOfForm = None
) -> Response:
    """Change it with the old one; all sessions end, so the next page is the form to sign in."""
    _person(request, actor)
    slow_down_passwords(request)
    try:
        room_of(request).accounts.change_password(actor.name, old, new, address(request))
    except AccessError as exc:
        return _password_form(request, actor, safe_next(next_path), exc)
    return _sign_in_anew("password", safe_next(next_path))


@router.get("/me/second-factor")
def show_factor(request: Request, actor: SettingUp, next_path: Next = None) -> Response:
    """A fresh key to set up, or the way to take the one of now off."""
    _person(request, actor)
    return _factor_form(request, actor, safe_next(next_path), second_factor.new_secret(), None)


@router.post("/me/second-factor")
def set_up_factor(
    request: Request,
    actor: SettingUp,
    key: Annotated[str, Form(max_length=64)],
    sealed: Annotated[str, Form(max_length=64)],
    password: Secret,
    code: Code,
    next_path: NextOfForm = None,
) -> Response:
    """Keep the key that this session was shown, if a code shows that the person's app has it."""
    session = _person(request, actor)
    slow_down_passwords(request)
    if not same(sealed, seal(session, key)):
        raise ProblemError(NOT_FROM_HERE, "the key is not the one that this session was shown")
    accounts = room_of(request).accounts
    try:
        accounts.set_up_factor(actor.name, password, key, code, address(request))
    except AccessError as exc:
        return _factor_form(request, actor, safe_next(next_path), key, exc)
    return _sign_in_anew("factor", safe_next(next_path))


@router.post("/me/second-factor/drop")
def drop_factor(request: Request, actor: Oneself, password: Secret, code: Code) -> Response:
    """Take it off, with password and code once more."""
    _person(request, actor)
    slow_down_passwords(request)
    accounts = room_of(request).accounts
    try:
        accounts.confirm(actor.name, password, address(request), code)
        accounts.drop_factor(actor.name, actor.name)
    except AccessError as exc:
        return _factor_form(request, actor, HOME, second_factor.new_secret(), exc)
    return _sign_in_anew("factor_dropped", HOME)


def _person(request: Request, actor: Actor) -> str:
    """The secret of the session. Raises ProblemError for a token."""
    secret = session_secret(request)
    if secret is None:
        raise ProblemError(NOT_ALLOWED, f'"{actor.name}" is a token, which has neither password nor sessions')
    return secret


def _sign_in_anew(said: str, next_path: str) -> Response:
    there = "" if next_path == HOME else f"&next={quote(next_path, safe='')}"
    return RedirectResponse(f"/login?said={said}{there}", 303)


def _password_form(request: Request, actor: Actor, next_path: str, fault: AccessError | None) -> Response:
    is_first = actor.owes == "own_password"
    return render(
        request,
        "password.html",
        _status(fault),
        actor=actor,
        is_first=is_first,
        next_path=next_path,
        fault=_told(fault),
    )


def _factor_form(
    request: Request, actor: Actor, next_path: str, key: str, fault: AccessError | None
) -> Response:
    picture = segno.make(second_factor.address(key, actor.name), error="m")
    return render(
        request,
        "second_factor.html",
        _status(fault),
        actor=actor,
        has_factor=room_of(request).accounts.account(actor.name).has_factor,
        next_path=next_path,
        key=key,
        sealed=seal(_person(request, actor), key),
        shown_key=second_factor.in_groups(key),
        picture=picture.svg_data_uri(scale=5, border=4, dark="#000", light="#fff"),
        fault=_told(fault),
    )


def _status(fault: AccessError | None) -> int:
    if fault is None:
        return 200
    return 401 if isinstance(fault, SignInError) else 422


def _told(fault: AccessError | None) -> str | None:
    if fault is None:
        return None
    text = str(fault)
    return text[:1].upper() + text[1:] + "."
