"""Accounts, and the doors to sessions and tokens: all that the rest of the program asks about who is who."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from steadyhead.access import passwords, second_factor
from steadyhead.access.activity import Activity, activity
from steadyhead.access.actor import ROLES, Actor, Role, Scope
from steadyhead.access.factor_key import FactorKey
from steadyhead.access.firsts import FirstPassword
from steadyhead.access.firsts import new_password as new_first
from steadyhead.access.names import check_name
from steadyhead.access.notices import Notices
from steadyhead.access.notices import of as notices_of
from steadyhead.access.proof import Proof
from steadyhead.access.sealing import seal_stored
from steadyhead.access.secrets import NUMBER_LENGTH, number_of
from steadyhead.access.sessions import Sessions
from steadyhead.access.settings import AccessSettings
from steadyhead.access.tokens import NewToken, Tokens, TokenView
from steadyhead.access.trail import note
from steadyhead.errors import AccessError, NotFoundError
from steadyhead.store.database import Database
from steadyhead.store.tables import AccountRow

COMMAND_LINE = "command line"


@dataclass(frozen=True, slots=True)
class AccountView:
    """An account as it is shown; times in epoch seconds.

    first_until_s : end of a first password; None where the password is the person's own
    """

    name: str
    role: Role
    created_s: int
    is_disabled: bool
    failed: int
    locked_until_s: int | None
    first_until_s: int | None
    has_factor: bool


class Accounts:
    """Accounts, sessions and tokens in the database.

    clock : epoch seconds
    key : seals second factors; without it none can be set up or checked
    """

    def __init__(
        self,
        database: Database,
        clock: Callable[[], float],
        settings: AccessSettings | None = None,
        key: FactorKey | None = None,
    ) -> None:
        self.settings = settings or AccessSettings()
        self._database = database
        self._clock = clock
        self.sessions = Sessions(database, clock, self.settings)
        self._key = key or FactorKey(None)
        self._proof = Proof(database, clock, self.sessions, self._key)
        self.tokens = Tokens(database, clock)

    def create(self, name: str, role: Role, password: str, by: str = COMMAND_LINE) -> AccountView:
        """Make an account whose owner typed the password.

        Raises AccessError if name, role or password is not fit, or the name is taken.
        """
        return self._create(name, role, password, by, None)

    def create_with_first(
        self, name: str, role: Role, by: str = COMMAND_LINE, given: str | None = None
    ) -> FirstPassword:
        """Make an account for somebody else, with a first password to hand over. Raises as ``create``.

        given : what the administrator chose; a random one if left out
        """
        first = self._first(name, given)
        self._create(name, role, first.password, by, first.until_s)
        return first

    def _first(self, name: str, given: str | None) -> FirstPassword:
        password = new_first() if given is None else given
        return FirstPassword(name, password, self._now_s() + self.settings.first_password_s)

    def _create(
        self, name: str, role: Role, password: str, by: str, first_until_s: int | None
    ) -> AccountView:
        check_name(name)
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
                    first_until_s=first_until_s,
                    factor_secret=None,
                    factor_step=None,
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

    def activity(self, names: list[str]) -> dict[str, Activity]:
        """When each of these accounts was signed in with last, and how many sessions it has open."""
        with self._database.reading() as db:
            return activity(db, self._now_s(), self.settings.idle_s, names)

    def login(self, name: str, password: str, code: str = "", where: str = "") -> str:
        """The secret of a new session. With a first password it is good for choosing an own one only.

        code : of the second factor, where the account has one
        where : the address that asks, for the audit
        Raises SignInError, with one text and in about one time for a wrong name, password or code, a disabled
        account and one that waits, so that nobody can learn which names there are. Only who holds a first
        password that is over is told so.
        """
        return self._proof.login(name, password, code, where)

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

    def end_sessions(self, name: str, by: str = COMMAND_LINE) -> None:
        """Sign a person out everywhere. Raises NotFoundError."""
        with self._database.session() as db:
            _row(db, name)
            self.sessions.close_all(db, name)
            note(db, self._now_s(), by, "sessions ended", "account", name)

    def confirm(self, name: str, password: str, where: str = "", code: str | None = None) -> None:
        """Make sure that it is the person who sits there, before something sensitive is done.

        code : of the second factor, where it is asked for too
        Raises SignInError if the password or the code is not right, which counts as a failed sign-in.
        """
        self._proof.confirm(name, password, where, code)

    def change_password(self, name: str, old: str, new: str, where: str = "") -> None:
        """A person's own change, also of a first password. Ends all sessions of the account.

        Raises AccessError if the new one is not fit, SignInError if the old one is not right. A wrong old one
        counts as a failed sign-in.
        """
        passwords.check_new(new, name)
        self.confirm(name, old, where)
        if old == new:
            raise AccessError("the new password is the old one; choose another")
        self._put_password(name, new, name, None)

    def set_password(self, name: str, new: str, by: str = COMMAND_LINE) -> None:
        """A password that its owner typed, such as on the machine; ends all sessions and the wait."""
        passwords.check_new(new, name)
        self._put_password(name, new, by, None)

    def set_first_password(
        self, name: str, by: str = COMMAND_LINE, given: str | None = None
    ) -> FirstPassword:
        """A first password in place of the one of now; ends all sessions and the wait after failed attempts.

        given : what the administrator chose; a random one if left out
        Raises NotFoundError, or AccessError if the given one is not fit.
        """
        first = self._first(name, given)
        passwords.check_new(first.password, name)
        self._put_password(name, first.password, by, first.until_s)
        return first

    def set_up_factor(self, name: str, password: str, factor_secret: str, code: str, where: str = "") -> None:
        """Have every further sign-in ask for a code too. Ends all sessions of the account.

        factor_secret : from ``second_factor.new_secret``; code : shows that the person's app has it
        Raises SignInError if the password is not right, AccessError if the code is not or one is set up,
        FactorKeyError if it cannot be sealed.
        """
        if self.account(name).has_factor:
            raise AccessError("there is a second factor already; take that one off first")
        self.confirm(name, password, where)
        step = second_factor.step_of(factor_secret, code, self._clock())
        if step is None:
            raise AccessError(
                "the code does not belong to this key; wait for the next one, and see that the clock of the "
                "device is right"
            )
        self._put_factor(name, self._key.seal(factor_secret, name), step, name)

    def seal_factors(self) -> list[str]:
        """Seal the second factors that an older version kept in clear; once at a start. See ``sealing``."""
        return seal_stored(self._database, self._key, self._now_s())

    def drop_factor(self, name: str, by: str = COMMAND_LINE) -> None:
        """Take the second factor off an account, such as when the device is lost. Ends its sessions.

        Raises NotFoundError, or AccessError if there is none.
        """
        if not self.account(name).has_factor:
            raise AccessError(f'"{name}" has no second factor')
        self._put_factor(name, None, None, by)

    def notices(self, name: str, session_secret: str) -> Notices:
        """What the person should see of what happened to the account since the sign-in before this one."""
        with self._database.reading() as db:
            return notices_of(db, name, number_of(session_secret))

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

    def _put_password(self, name: str, new: str, by: str, first_until_s: int | None) -> None:
        hashed = passwords.hashed(new)
        with self._database.session() as db:
            row = _row(db, name)
            row.password_hash, row.failed, row.locked_until_s = hashed, 0, None
            row.first_until_s = first_until_s
            self.sessions.close_all(db, name)
            what = "password changed" if first_until_s is None else "first password set"
            note(db, self._now_s(), by, what, "account", name)

    def _put_factor(self, name: str, sealed: str | None, step: int | None, by: str) -> None:
        with self._database.session() as db:
            row = _row(db, name)
            row.factor_secret, row.factor_step = sealed, step
            self.sessions.close_all(db, name)
            what = "second factor dropped" if sealed is None else "second factor set up"
            note(db, self._now_s(), by, what, "account", name)

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
        AccountRow.role == "administrator",
        AccountRow.is_disabled.is_(False),
        AccountRow.first_until_s.is_(None),  # a first password may end before anybody has used it
        AccountRow.name != row.name,
    )
    if not db.scalar(others):
        raise AccessError(
            f'"{row.name}" is the only administrator left; make another one first, who signs in and chooses '
            "a password, or nobody could undo this"
        )


def _view(row: AccountRow) -> AccountView:
    return AccountView(
        name=row.name,
        role=cast("Role", row.role),
        created_s=row.created_s,
        is_disabled=row.is_disabled,
        failed=row.failed,
        locked_until_s=row.locked_until_s,
        first_until_s=row.first_until_s,
        has_factor=row.factor_secret is not None,
    )
