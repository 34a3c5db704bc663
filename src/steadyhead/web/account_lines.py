"""Accounts and tokens as lines of a table, in words."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

from steadyhead.access.accounts import Accounts, AccountView
from steadyhead.access.activity import Activity
from steadyhead.access.actor import Role, Scope
from steadyhead.access.tokens import TokenView
from steadyhead.web.moments import Moment, moment, perhaps

ROLES_TEXT = (
    "Viewers look. Operators also act on alerts and record findings. Engineers also suppress, prove repairs, "
    "learn and ask for reports. Administrators also manage accounts and tokens."
)
SCOPE_WORDS: dict[Scope, str] = {
    "read": "Read what a viewer sees",
    "write_readings": "Write readings, and nothing else",
}
TOKEN_LIVES: dict[str, tuple[str, float | None]] = {
    "30": ("30 days", 30.0),
    "90": ("90 days", 90.0),
    "365": ("1 year", 365.0),
    "730": ("2 years", 730.0),
    "none": ("Without end", None),
}
"""How long a token is good [days], by what the form sends."""


@dataclass(frozen=True, slots=True)
class AccountLine:
    """An account; state is one word or two, at the time that belongs to it; is_odd gets a mark."""

    name: str
    href: str
    role: Role
    made: Moment
    state: str
    state_at: Moment | None
    is_odd: bool
    is_disabled: bool
    is_waiting: bool
    has_factor: bool
    signed_in: Moment | None
    n_sessions: int


@dataclass(frozen=True, slots=True)
class TokenLine:
    """A token; ``ended`` says how it ended, "" while it is good."""

    number: int
    name: str
    scope: str
    made_by: str
    made: Moment
    used: Moment | None
    ends: Moment | None
    ended: str


def account_lines(
    accounts: Accounts, time_zone: str, now_s: float, name: str | None = None
) -> list[AccountLine]:
    """All accounts by name, or the one of that name. Raises NotFoundError if there is none."""
    views = accounts.accounts() if name is None else [accounts.account(name)]
    active = accounts.activity([view.name for view in views])
    return [_account(view, active[view.name], time_zone, now_s) for view in views]


def _account(view: AccountView, active: Activity, time_zone: str, now_s: float) -> AccountLine:
    is_waiting = view.locked_until_s is not None and view.locked_until_s > now_s
    state, at_s, is_odd = "in use", None, False
    if view.is_disabled:
        state, is_odd = "disabled", True
    elif is_waiting:
        state, at_s, is_odd = f"waits after {view.failed} failed sign-ins, until", view.locked_until_s, True
    elif view.first_until_s is not None and view.first_until_s <= now_s:
        state, at_s, is_odd = "first password ended unused,", view.first_until_s, True
    elif view.first_until_s is not None:
        state, at_s = "first password, to be changed by", view.first_until_s
    return AccountLine(
        name=view.name,
        href=f"/accounts/{quote(view.name)}",
        role=view.role,
        made=moment(view.created_s, time_zone, now_s),
        state=state,
        state_at=perhaps(at_s, time_zone, now_s),
        is_odd=is_odd,
        is_disabled=view.is_disabled,
        is_waiting=is_waiting,
        has_factor=view.has_factor,
        signed_in=perhaps(active.signed_in_s, time_zone, now_s),
        n_sessions=active.n_sessions,
    )


def token_lines(views: list[TokenView], time_zone: str, now_s: float) -> list[TokenLine]:
    """All tokens, those that are good first, the newest first among them."""
    lines = [_token(view, time_zone, now_s) for view in views]
    return sorted(lines, key=lambda line: bool(line.ended))


def _token(view: TokenView, time_zone: str, now_s: float) -> TokenLine:
    ended = ""
    if view.revoked_s is not None:
        ended = f"revoked {moment(view.revoked_s, time_zone, now_s).text}"
    elif view.expires_s is not None and view.expires_s <= now_s:
        ended = f"ended {moment(view.expires_s, time_zone, now_s).text}"
    return TokenLine(
        number=view.token_id,
        name=view.name,
        scope=SCOPE_WORDS[view.scope],
        made_by=view.made_by,
        made=moment(view.created_s, time_zone, now_s),
        used=perhaps(view.used_s, time_zone, now_s),
        ends=perhaps(view.expires_s, time_zone, now_s),
        ended=ended,
    )
