"""Accounts, tokens and oneself."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Path
from pydantic import Field, SecretStr, model_validator
from starlette.requests import Request
from starlette.responses import Response

from steadyhead.access.accounts import AccountView
from steadyhead.access.actor import Act, Actor, Owes, Role, Scope, may
from steadyhead.access.changes import Change
from steadyhead.access.changes import change_account as apply_change
from steadyhead.access.firsts import FirstPassword
from steadyhead.access.tokens import NewToken, TokenView
from steadyhead.api.context import InRoom, context_of
from steadyhead.api.docs import CHANGING, READING, refusals
from steadyhead.api.guards import csrf_token, require, session_secret, too_many
from steadyhead.api.local import address
from steadyhead.api.problems import NOT_ALLOWED, NOT_FOUND, ProblemError
from steadyhead.api.shapes import Asked, Shape
from steadyhead.api.times import stamp, stamp_or_none

router = APIRouter()
Manager = Annotated[Actor, Depends(require(Act.ACCOUNTS))]
TokenManager = Annotated[Actor, Depends(require(Act.TOKENS))]
Oneself = Annotated[Actor, Depends(require(Act.SELF))]
Arriving = Annotated[Actor, Depends(require(Act.ENTER))]
AccountName = Annotated[str, Path(max_length=64, description="Name of the account.", examples=["kim"])]

_SECRET = Field(
    min_length=1, max_length=200, description="12 to 128 characters.", examples=["four words you remember"]
)


_OWN = Field(
    min_length=1, max_length=200, description="Of the administrator who asks, so that no open page does it."
)


class AccountItem(Shape):
    """An account."""

    name: str
    role: Role
    created_at: str
    is_disabled: bool
    failed: int = Field(description="Failed sign-ins since the last good one.")
    locked_until: str | None
    first_password_until: str | None = Field(
        description="End of a first password that was not changed yet; null where it is the person's own."
    )
    has_second_factor: bool

    @classmethod
    def of(cls, view: AccountView) -> AccountItem:
        """From what access tells."""
        return cls(
            name=view.name,
            role=view.role,
            created_at=stamp(view.created_s),
            is_disabled=view.is_disabled,
            failed=view.failed,
            locked_until=stamp_or_none(view.locked_until_s),
            first_password_until=stamp_or_none(view.first_until_s),
            has_second_factor=view.has_factor,
        )


class ChangedAccount(AccountItem):
    """An account just made or changed, with a random first password where one was set: shown this once."""

    first_password: str | None = Field(description="To hand over; null where none was made up.")

    @classmethod
    def with_first(cls, view: AccountView, first: FirstPassword | None) -> ChangedAccount:
        """The one answer that holds the password."""
        shown = None if first is None else first.password
        return cls(**AccountItem.of(view).model_dump(), first_password=shown)


class AccountList(Shape):
    """All accounts, by name."""

    items: list[AccountItem]


class NewAccount(Asked):
    """An account to make."""

    name: str = Field(
        max_length=64,
        examples=["kim"],
        json_schema_extra={"pattern": "^[A-Za-z0-9][A-Za-z0-9_.@-]{0,63}$"},  # refused in words of our own
    )
    role: Role
    password: SecretStr | None = Field(
        default=None,
        min_length=1,
        max_length=200,
        description="A first password. A random one is made up if it is left out, which is better.",
    )
    own_password: SecretStr = _OWN


class AccountChange(Asked):
    """What to change of an account; what is left out stays. Every change ends its sessions."""

    role: Role | None = None
    is_disabled: bool | None = None
    password: SecretStr | None = Field(
        default=None, min_length=1, max_length=200, description="A first password; on oneself an own one."
    )
    new_first_password: bool = Field(default=False, description="Make up a random first password.")
    drop_second_factor: bool = Field(default=False, description="Take it off; the device is lost.")
    end_sessions: bool = Field(default=False, description="Sign the person out everywhere.")
    own_password: SecretStr = _OWN

    @model_validator(mode="after")
    def _one_password(self) -> AccountChange:
        if self.new_first_password and self.password is not None:
            raise ValueError("send either password or new_first_password, not both")
        return self


class TokenItem(Shape):
    """A token, without its secret."""

    id: int
    name: str
    scope: Scope
    made_by: str
    created_at: str
    expires_at: str | None
    revoked_at: str | None
    used_at: str | None

    @classmethod
    def of(cls, view: TokenView) -> TokenItem:
        """From what access tells."""
        return cls(
            id=view.token_id,
            name=view.name,
            scope=view.scope,
            made_by=view.made_by,
            created_at=stamp(view.created_s),
            expires_at=stamp_or_none(view.expires_s),
            revoked_at=stamp_or_none(view.revoked_s),
            used_at=stamp_or_none(view.used_s),
        )


class TokenList(Shape):
    """All tokens, newest first."""

    items: list[TokenItem]


class TokenAsked(Asked):
    """A token to make for a program."""

    name: str = Field(
        max_length=64,
        description="Of the program that will hold it.",
        examples=["historian"],
        json_schema_extra={"pattern": "^[A-Za-z0-9][A-Za-z0-9_.@ -]{0,63}$"},
    )
    scope: Scope
    days: float | None = Field(default=365, gt=0, le=3650, description="How long it is good; null: no end.")
    own_password: SecretStr = _OWN


class MadeToken(TokenItem):
    """A token just made, with its secret: shown this once."""

    secret: str

    @classmethod
    def with_secret(cls, made: NewToken) -> MadeToken:
        """The one answer that holds the secret."""
        return cls(**TokenItem.of(made.view).model_dump(), secret=made.secret)


class Me(Shape):
    """Who asks, and what they may do."""

    name: str
    role: Role | None
    scope: Scope | None
    may: list[Act]
    owes: Owes | None = Field(description="What must be seen to before anything else is let through.")
    csrf_token: str | None = Field(description="For the header X-CSRF-Token; null where a token is used.")


class PasswordChange(Asked):
    """A person's own change of password."""

    old: SecretStr = Field(min_length=1, max_length=200)
    new: SecretStr = _SECRET


@router.get("/me", tags=["me"], summary="Show who is asking", responses=refusals(*READING))
def show_me(request: Request, actor: Arriving) -> Me:
    """Name, role or scope, and what that allows."""
    return Me(
        name=actor.name,
        role=actor.role,
        scope=actor.scope,
        may=[act for act in Act if may(actor, act)],
        owes=actor.owes,
        csrf_token=csrf_token(request) or None,
    )


@router.post(
    "/me/password",
    tags=["me"],
    status_code=204,
    summary="Change one's password",
    responses=refusals(*CHANGING),
)
def change_password(request: Request, asked: PasswordChange, room: InRoom, actor: Arriving) -> Response:
    """Change it with the old one; all sessions of the account end, this one too."""
    if session_secret(request) is None:
        raise ProblemError(NOT_ALLOWED, f'"{actor.name}" is a token, which has no password')
    slow_down_passwords(request)
    old, new = asked.old.get_secret_value(), asked.new.get_secret_value()
    room.accounts.change_password(actor.name, old, new, address(request))
    return Response(status_code=204)


class SessionItem(Shape):
    """A session of one's own."""

    number: str = Field(examples=["0f3c5a9e1b7d2468"])
    created_at: str
    seen_at: str = Field(description="When it was last used, to the minute.")
    expires_at: str
    is_this: bool = Field(description="Whether it is the one that asks.")


class SessionList(Shape):
    """One's own sessions, the newest first."""

    items: list[SessionItem]


SessionNumber = Annotated[
    str, Path(pattern="^[0-9a-f]{16}$", description="`number` of the session.", examples=["0f3c5a9e1b7d2468"])
]


@router.get("/me/sessions", tags=["me"], summary="List one's sessions", responses=refusals(*READING))
def list_sessions(request: Request, room: InRoom, actor: Oneself) -> SessionList:
    """Where one is signed in. A token has none."""
    secret = session_secret(request)
    found = [] if secret is None else room.accounts.sessions.of(actor.name, secret)
    items = [
        SessionItem(
            number=one.number,
            created_at=stamp(one.created_s),
            seen_at=stamp(one.seen_s),
            expires_at=stamp(one.expires_s),
            is_this=one.is_this,
        )
        for one in found
    ]
    return SessionList(items=items)


@router.delete(
    "/me/sessions/{session}",
    tags=["me"],
    status_code=204,
    summary="End one of one's sessions",
    responses=refusals(*CHANGING),
)
def end_session(request: Request, session: SessionNumber, room: InRoom, actor: Oneself) -> Response:
    """Sign out there, such as where one has forgotten to; also the one that asks."""
    if session_secret(request) is None:
        raise ProblemError(NOT_FOUND, f'"{actor.name}" is a token, which has no sessions')
    room.accounts.end_session(actor.name, session)
    return Response(status_code=204)


def slow_down_passwords(request: Request) -> None:
    """Raise ProblemError 429 where an address tries passwords too often."""
    wait_s = context_of(request).limits.logins.wait_s(address(request))
    if wait_s:
        raise too_many("too many attempts with a password from this address", wait_s)


def confirm_oneself(request: Request, actor: Actor, own_password: str) -> None:
    """Raise SignInError unless it is the own password of who asks; ProblemError 429 where tried too often."""
    slow_down_passwords(request)
    context_of(request).room.accounts.confirm(actor.name, own_password, address(request))


@router.get("/accounts", tags=["accounts"], summary="List accounts", responses=refusals(*READING))
def list_accounts(room: InRoom, _: Manager) -> AccountList:
    """All accounts, by name."""
    return AccountList(items=[AccountItem.of(view) for view in room.accounts.accounts()])


@router.post(
    "/accounts", tags=["accounts"], status_code=201, summary="Make an account", responses=refusals(*CHANGING)
)
def make_account(request: Request, asked: NewAccount, room: InRoom, actor: Manager) -> ChangedAccount:
    """Make an account for a person; with one's own password once more.

    Its password is a first one: it ends after some days, and is good for choosing an own one only.
    """
    confirm_oneself(request, actor, asked.own_password.get_secret_value())
    given = None if asked.password is None else asked.password.get_secret_value()
    first = room.accounts.create_with_first(asked.name, asked.role, actor.name, given)
    return ChangedAccount.with_first(room.accounts.account(asked.name), first if given is None else None)


@router.get(
    "/accounts/{name}", tags=["accounts"], summary="Show an account", responses=refusals(404, *READING)
)
def show_account(name: AccountName, room: InRoom, _: Manager) -> AccountItem:
    """One account."""
    return AccountItem.of(room.accounts.account(name))


@router.patch(
    "/accounts/{name}", tags=["accounts"], summary="Change an account", responses=refusals(*CHANGING)
)
def change_account(
    request: Request, name: AccountName, asked: AccountChange, room: InRoom, actor: Manager
) -> ChangedAccount:
    """Change role or password, drop the second factor, disable or enable; never the last administrator.

    A password set for somebody else is a first one: it ends after some days, and is good for choosing an own
    one only.
    """
    confirm_oneself(request, actor, asked.own_password.get_secret_value())
    change = Change(
        role=asked.role,
        is_disabled=asked.is_disabled,
        password=None if asked.password is None else asked.password.get_secret_value(),
        new_first_password=asked.new_first_password,
        drop_second_factor=asked.drop_second_factor,
        end_sessions=asked.end_sessions,
    )
    first = apply_change(room.accounts, name, change, actor.name)
    return ChangedAccount.with_first(room.accounts.account(name), first)


@router.get("/tokens", tags=["tokens"], summary="List tokens", responses=refusals(*READING))
def list_tokens(room: InRoom, _: TokenManager) -> TokenList:
    """All tokens, newest first, without their secrets."""
    return TokenList(items=[TokenItem.of(view) for view in room.accounts.list_tokens()])


@router.post(
    "/tokens", tags=["tokens"], status_code=201, summary="Make a token", responses=refusals(*CHANGING)
)
def make_token(request: Request, asked: TokenAsked, room: InRoom, actor: TokenManager) -> MadeToken:
    """Make a token for a program; with one's own password once more. Its secret is in this answer only."""
    confirm_oneself(request, actor, asked.own_password.get_secret_value())
    return MadeToken.with_secret(room.accounts.make_token(asked.name, asked.scope, actor.name, asked.days))


@router.delete("/tokens/{number}", tags=["tokens"], summary="Revoke a token", responses=refusals(*CHANGING))
def revoke_token(
    number: Annotated[int, Path(ge=1, le=2**62, description="`id` of the token.")],
    room: InRoom,
    actor: TokenManager,
) -> TokenItem:
    """End a token now; it stays in the list."""
    return TokenItem.of(room.accounts.tokens.revoke(number, actor.name))
