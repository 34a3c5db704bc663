"""Accounts of people and tokens of programs, for administrators.

What is shown once, a first password or a token, is in the answer to the form itself; every other form ends in
a redirect. A fault is said beside its field.
"""

from __future__ import annotations

from typing import Annotated, cast
from urllib.parse import quote

from fastapi import APIRouter, Depends, Form
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from steadyhead.access.actor import ROLES, SCOPES, Act, Actor, Role, Scope, may
from steadyhead.access.changes import Change, change_account
from steadyhead.access.firsts import FirstPassword
from steadyhead.api.accounts import confirm_oneself
from steadyhead.api.context import room_of
from steadyhead.api.guards import require
from steadyhead.errors import AccessError, SignInError
from steadyhead.web.account_lines import (
    ROLES_TEXT,
    SCOPE_WORDS,
    TOKEN_LIVES,
    account_lines,
    token_lines,
)
from steadyhead.web.frame import render, utility_zone
from steadyhead.web.moments import Moment, moment

router = APIRouter(include_in_schema=False)
Manager = Annotated[Actor, Depends(require(Act.ACCOUNTS))]
TokenManager = Annotated[Actor, Depends(require(Act.TOKENS))]
Text = Annotated[str, Form(max_length=200)]
NOT_YOU = (
    "this is not your password, or your account waits after failed attempts; try again, or in 15 minutes"
)
DONE = {
    "role": "role_changed",
    "disable": "account_disabled",
    "enable": "account_enabled",
    "factor": "factor_reset",
    "sessions": "sessions_ended",
}
Faults = dict[str, str]


@router.get("/accounts")
def accounts(request: Request, actor: Manager) -> Response:
    """Accounts and tokens."""
    return _all(request, actor)


@router.post("/accounts")
def make_account(
    request: Request, actor: Manager, name: Text = "", role: Text = "", own_password: Text = ""
) -> Response:
    """Make an account; the answer shows its first password, this once."""
    name = name.strip()
    typed = {"name": name, "role": role}
    faults = {} if role in ROLES else {"role": f"choose one of {', '.join(ROLES)}"}
    if not name:
        faults["name"] = "type the name with which the person will sign in"
    faults = faults or _not_oneself(request, actor, own_password)
    if not faults:
        try:
            first = room_of(request).accounts.create_with_first(name, cast("Role", role), actor.name)
        except AccessError as exc:
            faults = {"name": str(exc)}
        else:
            return _all(request, actor, first=first)
    return _all(request, actor, form="account", faults=faults, typed=typed)


@router.get("/accounts/{name}")
def account(request: Request, name: str, actor: Manager) -> Response:
    """One account and what can be changed of it."""
    return _one(request, actor, name)


@router.post("/accounts/{name}/first-password")
def new_first_password(request: Request, name: str, actor: Manager, own_password: Text = "") -> Response:
    """Set a new first password; the answer shows it, this once."""
    if name == actor.name:
        raise AccessError("choose your own password on the page of your name")
    return _changed(request, actor, name, "first-password", Change(new_first_password=True), own_password)


@router.post("/accounts/{name}/role")
def set_role(
    request: Request, name: str, actor: Manager, role: Text = "", own_password: Text = ""
) -> Response:
    """Give it another role."""
    if role not in ROLES:
        faults = {"role": f"choose one of {', '.join(ROLES)}"}
        return _one(request, actor, name, form="role", faults=faults)
    return _changed(request, actor, name, "role", Change(role=role), own_password)


@router.post("/accounts/{name}/disable")
def disable(request: Request, name: str, actor: Manager, own_password: Text = "") -> Response:
    """Close it."""
    return _changed(request, actor, name, "disable", Change(is_disabled=True), own_password)


@router.post("/accounts/{name}/enable")
def enable(request: Request, name: str, actor: Manager, own_password: Text = "") -> Response:
    """Open it again, and end a wait after failed attempts."""
    return _changed(request, actor, name, "enable", Change(is_disabled=False), own_password)


@router.post("/accounts/{name}/factor")
def drop_factor(request: Request, name: str, actor: Manager, own_password: Text = "") -> Response:
    """Take the second factor off, such as when the device is lost."""
    return _changed(request, actor, name, "factor", Change(drop_second_factor=True), own_password)


@router.post("/accounts/{name}/sessions")
def end_sessions(request: Request, name: str, actor: Manager, own_password: Text = "") -> Response:
    """Sign the person out everywhere."""
    return _changed(request, actor, name, "sessions", Change(end_sessions=True), own_password)


@router.post("/tokens")
def make_token(
    request: Request,
    actor: TokenManager,
    program: Text = "",
    scope: Text = "",
    life: Text = "",
    own_password: Text = "",
) -> Response:
    """Make a token; the answer shows it, this once."""
    program = program.strip()
    faults: Faults = {}
    if not program:
        faults["program"] = "type the name of the program that will hold it"
    if scope not in SCOPES:
        faults["scope"] = "choose what it is for"
    if life not in TOKEN_LIVES:
        faults["life"] = "choose how long it is good"
    faults = faults or _not_oneself(request, actor, own_password)
    if not faults:
        days = TOKEN_LIVES[life][1]
        try:
            made = room_of(request).accounts.make_token(program, cast("Scope", scope), actor.name, days)
        except AccessError as exc:
            faults = {"program": str(exc)}
        else:
            return _all(request, actor, token=(made.view.name, made.secret))
    typed = {"program": program, "scope": scope, "life": life}
    return _all(request, actor, form="token", faults=faults, typed=typed)


@router.post("/tokens/{number}/revoke")
def revoke_token(request: Request, number: int, actor: TokenManager) -> Response:
    """End a token now."""
    room_of(request).accounts.tokens.revoke(number, actor.name)
    return RedirectResponse("/accounts?said=token_revoked#h-tokens", 303)


def _not_oneself(request: Request, actor: Actor, own_password: str) -> Faults:
    """The fault of the field for the own password, if it has one."""
    if not own_password:
        return {"own_password": "type your own password, so that nobody does this on a page you left open"}
    try:
        confirm_oneself(request, actor, own_password)
    except SignInError:
        return {"own_password": NOT_YOU}
    return {}


def _changed(
    request: Request, actor: Actor, name: str, form: str, change: Change, own_password: str
) -> Response:
    room_of(request).accounts.account(name)  # before anybody's password is tried for nothing
    faults = _not_oneself(request, actor, own_password)
    if not faults:
        try:
            first = change_account(room_of(request).accounts, name, change, actor.name)
        except AccessError as exc:
            faults = {"role" if form == "role" else "act": str(exc)}
        else:
            if first is not None:
                return _one(request, actor, name, first=first)
            return RedirectResponse(f"/accounts/{quote(name)}?said={DONE[form]}", 303)
    return _one(request, actor, name, form=form, faults=faults)


def _until(request: Request, first: FirstPassword | None) -> Moment | None:
    room = room_of(request)
    return None if first is None else moment(first.until_s, utility_zone(room), room.clock())


def _sentences(faults: Faults) -> Faults:
    return {field: f"{text[:1].upper()}{text[1:]}." for field, text in faults.items()}


def _all(
    request: Request,
    actor: Actor,
    *,
    form: str = "",
    faults: Faults | None = None,
    typed: dict[str, str] | None = None,
    first: FirstPassword | None = None,
    token: tuple[str, str] | None = None,
) -> Response:
    room = room_of(request)
    now_s, zone = room.clock(), utility_zone(room)
    shown = {"name": "", "role": "viewer", "program": "", "scope": "read", "life": "365", **(typed or {})}
    shows_tokens = may(actor, Act.TOKENS)
    return render(
        request,
        "accounts.html",
        422 if faults else 200,
        actor=actor,
        accounts=account_lines(room.accounts, zone, now_s),
        tokens=token_lines(room.accounts.list_tokens(), zone, now_s) if shows_tokens else [],
        shows_tokens=shows_tokens,
        roles=[(role, role.capitalize()) for role in ROLES],
        roles_text=ROLES_TEXT,
        scopes=[(scope, SCOPE_WORDS[scope]) for scope in SCOPES],
        lives=[(life, words) for life, (words, _) in TOKEN_LIVES.items()],
        form=form,
        faults=_sentences(faults or {}),
        typed=shown,
        first=first,
        until=_until(request, first),
        token=token,
    )


def _one(
    request: Request,
    actor: Actor,
    name: str,
    *,
    form: str = "",
    faults: Faults | None = None,
    first: FirstPassword | None = None,
) -> Response:
    room = room_of(request)
    [line] = account_lines(room.accounts, utility_zone(room), room.clock(), name)
    return render(
        request,
        "account.html",
        422 if faults else 200,
        actor=actor,
        line=line,
        is_oneself=name == actor.name,
        roles=[(role, role.capitalize()) for role in ROLES],
        roles_text=ROLES_TEXT,
        form=form,
        faults=_sentences(faults or {}),
        first=first,
        until=_until(request, first),
    )
