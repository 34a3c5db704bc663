"""Accounts, and the doors to sessions and tokens: all that the rest of the program asks about who is who."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from steadyhead.access import passwords
from steadyhead.access.actor import ROLES, Actor, Role, Scope
from steadyhead.access.lockout import wait_s
from steadyhead.access.sessions import NUMBER_LENGTH, Sessions
from steadyhead.access.settings import AccessSettings
from steadyhead.access.tokens import NewToken, Tokens, TokenView
from steadyhead.access.trail import note
from steadyhead.desk.audit import CLOCK, ENGINE, FILE, SERVICE
from steadyhead.errors import AccessError, NotFoundError, SignInError
from steadyhead.store.database import Database
from steadyhead.store.tables import AccountRow

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@-]{0,63}\Z")
COMMAND_LINE = "command line"
NOBODY = frozenset({ENGINE, CLOCK, SERVICE, FILE})
REFUSED = (
    "name or password is not right, or the account is waiting after failed attempts; "
    "check both, or try again in 15 minutes"
)


@dataclass(frozen=True, slots=True)
class AccountView:
    """An account as it is shown; times in epoch seconds."""

    name: str
    role: Role
    created_s: int
    is_disabled: bool
    failed: int
    locked_until_s: int | None


class Accounts:
    """Accounts, sessions and tokens in the database.

    clock : epoch seconds
    """

    def __init__(
        self, database: Database, clock: Callable[[], float], settings: AccessSettings | None = None
    ) -> None:
        self.settings = settings or AccessSettings()
        self._database = database
        self._clock = clock
        self.sessions = Sessions(database, clock, self.settings)
        self.tokens = Tokens(database, clock)

    def create(self, name: str, role: Role, password: str, by: str = COMMAND_LINE) -> AccountView:
        """Make an account. Raises AccessError if name, role or password is not fit, or the name is taken."""
        if not NAME.match(name):
            raise AccessError(
                f'"{name[:70]}" cannot name an account; use up to 64 letters, digits, "_", "-", ".", "@"'
            )
        if name.lower() in NOBODY:
            raise AccessError(f'"{name}" stands in the audit for what no person did; choose another name')
        _check_role(role)
        passwords.check_new(password, name)
        hashed = passwords.hashed(password)  # slow on purpose, so before the transaction
        try:
            with self._database.session() as db:
                if _like(db, name) is not None:
                    raise AccessError(f'there is an account "{name}" already; choose another name')
                row = AccountRow(
                    name=name,
                    role=role,
                    password_hash=hashed,
                    created_s=self._now_s(),
                    is_disabled=False,
                    failed=0,
                    locked_until_s=None,
                )
                db.add(row)
                note(db, self._now_s(), by, "account made", "account", name, {"role": role})
                db.flush()
                return _view(row)
        except IntegrityError as exc:  # somebody made it between our look and our write
            raise AccessError(f'there is an account "{name}" already; choose another name') from exc

    def accounts(self) -> list[AccountView]:
        """All accounts, by name."""
        with self._database.reading() as db:
            return [_view(row) for row in db.scalars(select(AccountRow).order_by(AccountRow.name))]

    def account(self, name: str) -> AccountView:
        """One account. Raises NotFoundError."""
        with self._database.reading() as db:
            return _view(_row(db, name))

    def login(self, name: str, password: str) -> str:
        """The secret of a new session.

        Raises SignInError, with one text and in about one time for a wrong name, a wrong password, a disabled
        account and one that waits, so that nobody can learn which names there are.
        """
        now_s = self._now_s()
        with self._database.reading() as db:
            row = db.get(AccountRow, name) if NAME.match(name) else None
            stored = None
            if row is not None and not row.is_disabled and (row.locked_until_s or 0) <= now_s:
                stored = row.password_hash
        if stored is None:
            passwords.waste_time(password)
            raise SignInError(REFUSED)
        is_right = passwords.is_right(stored, password)
        renewed = passwords.hashed(password) if is_right and passwords.is_outdated(stored) else None
        with self._database.session() as db:
            row = db.get(AccountRow, name, with_for_update=True)
            if row is None or row.is_disabled or row.password_hash != stored:
                is_right = False
            elif not is_right:
                row.failed += 1
                wait = wait_s(row.failed)
                row.locked_until_s = now_s + wait if wait else None
                details = {"failed": row.failed, "waits_s": wait}
                note(db, now_s, name, "sign-in failed", "account", name, details)
            else:
                row.failed, row.locked_until_s = 0, None
                row.password_hash = renewed or stored
                note(db, now_s, name, "signed in", "account", name)
                return self.sessions.open(db, name)
        raise SignInError(REFUSED)

    def who(self, session_secret: str) -> Actor | None:
        """Who holds this session; None if it is unknown, over, or its account is disabled."""
        return self.sessions.who(session_secret)

    def logout(self, session_secret: str) -> None:
        """End a session; nothing happens if there is none."""
        self.sessions.close(session_secret)

    def end_session(self, name: str, number: str) -> None:
        """End one of a person's own sessions. Raises NotFoundError if there is none of that number."""
        with self._database.session() as db:
            if not self.sessions.close_one(db, name, number):
                raise NotFoundError(
                    f'"{name}" has no session {number[:NUMBER_LENGTH]}; it may be over already'
                )
            note(db, self._now_s(), name, "session ended", "account", name)

    def confirm(self, name: str, password: str) -> None:
        """Make sure that it is the person who sits there, before something sensitive is done.

        Raises SignInError if the password is not right, which counts as a failed sign-in.
        """
        self.logout(self.login(name, password))

    def change_password(self, name: str, old: str, new: str) -> None:
        """A person's own change. Ends all sessions of the account.

        Raises AccessError if the new one is not fit, SignInError if the old one is not right. A wrong old one
        counts as a failed sign-in.
        """
        passwords.check_new(new, name)
        self.confirm(name, old)
        self._put_password(name, new, name)

    def set_password(self, name: str, new: str, by: str = COMMAND_LINE) -> None:
        """An administrator's change; ends all sessions and the wait after failed attempts."""
        passwords.check_new(new, name)
        self._put_password(name, new, by)

    def set_role(self, name: str, role: Role, by: str = COMMAND_LINE) -> AccountView:
        """Give an account another role; ends its sessions. Raises AccessError for the last administrator."""
        _check_role(role)
        with self._database.session() as db:
            row = _row(db, name)
            if role != "administrator":
                _keep_one_administrator(db, row)
            before, row.role = row.role, role
            self.sessions.close_all(db, name)
            note(db, self._now_s(), by, "role changed", "account", name, {"from": before, "to": role})
            return _view(row)

    def disable(self, name: str, by: str = COMMAND_LINE) -> AccountView:
        """Close an account for good or for now; ends its sessions. Its name stays in the audit trail.

        Raises AccessError for the last administrator.
        """
        with self._database.session() as db:
            row = _row(db, name)
            _keep_one_administrator(db, row)
            row.is_disabled = True
            self.sessions.close_all(db, name)
            note(db, self._now_s(), by, "account disabled", "account", name)
            return _view(row)

    def enable(self, name: str, by: str = COMMAND_LINE) -> AccountView:
        """Open a disabled account again, and end the wait after failed attempts."""
        with self._database.session() as db:
            row = _row(db, name)
            row.is_disabled, row.failed, row.locked_until_s = False, 0, None
            note(db, self._now_s(), by, "account enabled", "account", name)
            return _view(row)

    def make_token(self, name: str, scope: Scope, made_by: str, days: float | None = 365.0) -> NewToken:
        """A token for a program; its secret is in the answer and nowhere else. See ``Tokens.make``."""
        return self.tokens.make(name, scope, made_by, days)

    def by_token(self, secret: str) -> Actor | None:
        """Which program holds this token; None if it is unknown, expired or revoked."""
        return self.tokens.who(secret)

    def list_tokens(self) -> list[TokenView]:
        """All tokens, newest first, without their secrets."""
        return self.tokens.all()

    def is_empty(self) -> bool:
        """Whether no account was ever made: the first start then says how to make one."""
        with self._database.reading() as db:
            return db.scalar(select(func.count()).select_from(AccountRow)) == 0

    def _put_password(self, name: str, new: str, by: str) -> None:
        hashed = passwords.hashed(new)
        with self._database.session() as db:
            row = _row(db, name)
            row.password_hash, row.failed, row.locked_until_s = hashed, 0, None
            self.sessions.close_all(db, name)
            note(db, self._now_s(), by, "password changed", "account", name)

    def _now_s(self) -> int:
        return int(self._clock())


def _row(db: Session, name: str) -> AccountRow:
    row = db.get(AccountRow, name)
    if row is None:
        raise NotFoundError(f'there is no account "{name[:70]}"; list them with: steadyhead account list')
    return row


def _like(db: Session, name: str) -> AccountRow | None:
    """An account of that name in any case: two that differ only in it would be taken for each other."""
    return db.scalars(select(AccountRow).where(func.lower(AccountRow.name) == name.lower())).first()


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise AccessError(f'"{role[:70]}" is no role; use one of {", ".join(ROLES)}')


def _keep_one_administrator(db: Session, row: AccountRow) -> None:
    if row.role != "administrator" or row.is_disabled:
        return
    others = select(func.count()).select_from(AccountRow)
    others = others.where(
        AccountRow.role == "administrator", AccountRow.is_disabled.is_(False), AccountRow.name != row.name
    )
    if not db.scalar(others):
        raise AccessError(
            f'"{row.name}" is the only administrator left; make another one first, or nobody could undo this'
        )


def _view(row: AccountRow) -> AccountView:
    return AccountView(
        row.name, cast("Role", row.role), row.created_s, row.is_disabled, row.failed, row.locked_until_s
    )
