"""Who asks, what they ask for, and whether they may: the only table of rights."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal, get_args

Role = Literal["viewer", "operator", "engineer", "administrator"]
ROLES: tuple[Role, ...] = get_args(Role)
"""From least to most; a role may do all that the ones before it may."""

Scope = Literal["read", "write_readings"]
SCOPES: tuple[Scope, ...] = get_args(Scope)
"""What a program's token may be made for. No token may change an alert, an account or a token."""


Owes = Literal["own_password", "second_factor"]
"""What a signed-in person must see to before anything else: choose a password in place of the first one,
which somebody else knows, or set up a second factor where the service asks for one."""


class Act(StrEnum):
    """Something a person or a program asks to do."""

    ENTER = "enter"
    SET_UP_FACTOR = "set_up_factor"
    READ = "read"
    SELF = "self"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    RECORD_FINDING = "record_finding"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    SUPPRESS = "suppress"
    PROVE = "prove"
    LEARN = "learn"
    REPORT = "report"
    ACCOUNTS = "accounts"
    TOKENS = "tokens"
    WRITE_READINGS = "write_readings"


IN_WORDS: dict[Act, str] = {
    Act.ENTER: "see who one is and choose one's password",
    Act.SET_UP_FACTOR: "set up one's second factor",
    Act.READ: "look at alerts, stations and figures",
    Act.SELF: "look at and change one's own access",
    Act.ACKNOWLEDGE: "acknowledge and reset alerts",
    Act.SHELVE: "shelve alerts and take them back",
    Act.RECORD_FINDING: "record what was found at a station",
    Act.TAKE_OUT_OF_SERVICE: "take stations out of service and return them",
    Act.SUPPRESS: "suppress alerts by design and release them",
    Act.PROVE: "prove repairs",
    Act.LEARN: "learn profiles",
    Act.REPORT: "ask for weekly reports",
    Act.ACCOUNTS: "manage accounts",
    Act.TOKENS: "manage tokens",
    Act.WRITE_READINGS: "write readings",
}

LEAST_ROLE: dict[Act, Role] = {
    Act.ENTER: "viewer",
    Act.SET_UP_FACTOR: "viewer",
    Act.READ: "viewer",
    Act.SELF: "viewer",
    Act.ACKNOWLEDGE: "operator",
    Act.SHELVE: "operator",
    Act.RECORD_FINDING: "operator",
    Act.TAKE_OUT_OF_SERVICE: "operator",
    Act.SUPPRESS: "engineer",
    Act.PROVE: "engineer",
    Act.LEARN: "engineer",
    Act.REPORT: "engineer",
    Act.ACCOUNTS: "administrator",
    Act.TOKENS: "administrator",
}
"""WRITE_READINGS is missing on purpose: readings come from programs; no session can write them."""

OF_SCOPE: dict[Scope, frozenset[Act]] = {
    "read": frozenset({Act.ENTER, Act.READ, Act.SELF}),
    "write_readings": frozenset({Act.ENTER, Act.WRITE_READINGS, Act.SELF}),
}

WHILE_OWING: dict[Owes, frozenset[Act]] = {
    "own_password": frozenset({Act.ENTER}),
    "second_factor": frozenset({Act.ENTER, Act.SET_UP_FACTOR}),
}
"""All that a person may do who still owes something, whatever the role."""


@dataclass(frozen=True, slots=True)
class Actor:
    """A person with a role, or a program with a token's scope; exactly one of ``role`` and ``scope`` is set.

    name : the account's, or the token's own; what the audit trail shows
    owes : what a person must see to first; a program owes nothing
    """

    name: str
    role: Role | None = None
    scope: Scope | None = None
    owes: Owes | None = None

    def __post_init__(self) -> None:
        if (self.role is None) == (self.scope is None):
            raise ValueError(f"{self.name}: give an actor either a role or a scope")

    @property
    def is_person(self) -> bool:
        """Whether a person signed in, rather than a program with a token."""
        return self.role is not None

    @property
    def key(self) -> str:
        """Tells actors apart where a token and an account share a name."""
        return f"{'account' if self.is_person else 'token'}:{self.name}"


def may(actor: Actor, act: Act) -> bool:
    """Whether the actor's role or scope allows the act, and nothing is owed that goes before it."""
    if actor.owes is not None and act not in WHILE_OWING[actor.owes]:
        return False
    if actor.scope is not None:
        return act in OF_SCOPE[actor.scope]
    least = LEAST_ROLE.get(act)
    return least is not None and actor.role is not None and ROLES.index(actor.role) >= ROLES.index(least)


def who_may(act: Act) -> str:
    """In words, what it takes: for a refusal and for the docs."""
    least = LEAST_ROLE.get(act)
    roles = [] if least is None else [f"the role {' or '.join(ROLES[ROLES.index(least) :])}"]
    scopes = [f"a token of scope {scope}" for scope in SCOPES if act in OF_SCOPE[scope]]
    return ", or ".join([*roles, *scopes])
