"""What an administrator changes of an account: one way for the API and for the pages."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.access.accounts import Accounts
from steadyhead.access.actor import Role
from steadyhead.access.firsts import FirstPassword


@dataclass(frozen=True, slots=True)
class Change:
    """What to change; what is left out stays.

    password : given by the administrator; a first one, but for oneself an own one
    new_first_password : have one made up
    """

    role: Role | None = None
    is_disabled: bool | None = None
    password: str | None = None
    new_first_password: bool = False
    drop_second_factor: bool = False
    end_sessions: bool = False


def change_account(accounts: Accounts, name: str, change: Change, by: str) -> FirstPassword | None:
    """Change an account, and end its sessions; the first password that was made up, if one was.

    Raises NotFoundError, or AccessError: for the last administrator, or where something is not fit.
    """
    first = None
    before = accounts.account(name)
    if change.role is not None and change.role != before.role:
        accounts.set_role(name, change.role, by)
    if change.password is not None and name == by:
        accounts.set_password(name, change.password, by)
    elif change.password is not None:
        accounts.set_first_password(name, by, change.password)
    elif change.new_first_password:
        first = accounts.set_first_password(name, by)
    if change.drop_second_factor:
        accounts.drop_factor(name, by)
    if change.is_disabled is True:
        accounts.disable(name, by)
    elif change.is_disabled is False:
        accounts.enable(name, by)
    if change.end_sessions:
        accounts.end_sessions(name, by)
    return first
