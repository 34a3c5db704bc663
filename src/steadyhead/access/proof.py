"""Whether it is the person who says so: the password, and the code of a second factor where there is one."""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any, Literal, TypeVar

from sqlalchemy.orm import Session

from steadyhead.access import passwords, second_factor
from steadyhead.access.factor_key import FactorKey
from steadyhead.access.lockout import wait_s
from steadyhead.access.names import NAME
from steadyhead.access.secrets import number_of
from steadyhead.access.sessions import Sessions
from steadyhead.access.trail import note
from steadyhead.errors import FactorKeyError, SignInError
from steadyhead.store.database import Database
from steadyhead.store.tables import AccountRow

log = logging.getLogger(__name__)
REFUSED = (
    "name, password or code is not right, or the account is waiting after failed attempts; "
    "check them, or try again in 15 minutes"
)
FIRST_IS_OVER = "this first password is over; ask an administrator for a new one"
LONGEST_WHERE = 64

_T = TypeVar("_T")
_Fault = Literal["password", "code", "first password is over"]


class Proof:
    """Checks passwords and codes against the database, and counts what fails.

    clock : epoch seconds
    key : opens second factors
    """

    def __init__(
        self, database: Database, clock: Callable[[], float], sessions: Sessions, key: FactorKey
    ) -> None:
        self._database = database
        self._clock = clock
        self._sessions = sessions
        self._key = key

    def login(self, name: str, password: str, code: str, where: str) -> str:
        """The secret of a new session; see ``Accounts.login``."""

        def open_session(db: Session) -> str:
            secret = self._sessions.open(db, name)
            details = {"from": where[:LONGEST_WHERE], "session": number_of(secret)}
            note(db, int(self._clock()), name, "signed in", "account", name, details)
            return secret

        return self._prove(name, password, code, where, open_session)

    def confirm(self, name: str, password: str, where: str, code: str | None) -> None:
        """Make sure of the password, and of a code where one is given; see ``Accounts.confirm``."""
        self._prove(name, password, code, where, lambda _: None)

    def _prove(
        self,
        name: str,
        password: str,
        code: str | None,
        where: str,
        then: Callable[[Session], _T],
    ) -> _T:
        """Do ``then`` in the transaction of the proof. code : None where the password alone is asked for."""
        now_s = int(self._clock())
        stored = self._stored(name, now_s)
        if stored is None:
            passwords.waste_time(password)
            raise SignInError(REFUSED)
        is_right = passwords.is_right(stored, password)
        renewed = passwords.hashed(password) if is_right and passwords.is_outdated(stored) else None
        with self._database.session() as db:
            row = db.get(AccountRow, name, with_for_update=True)
            if row is None or row.is_disabled or row.password_hash != stored:
                raise SignInError(REFUSED)
            fault = self._fault(row, is_right, code, now_s)
            if fault is None:
                row.failed, row.locked_until_s = 0, None
                row.password_hash = renewed or stored
                return then(db)
            self._count(db, row, fault, where, now_s)
        raise SignInError(FIRST_IS_OVER if fault == "first password is over" else REFUSED)

    def _stored(self, name: str, now_s: int) -> str | None:
        """The hash of an account that may sign in now."""
        with self._database.reading() as db:
            row = db.get(AccountRow, name) if NAME.match(name) else None
            if row is None or row.is_disabled or (row.locked_until_s or 0) > now_s:
                return None
            return row.password_hash

    def _count(self, db: Session, row: AccountRow, fault: _Fault, where: str, now_s: int) -> None:
        details: dict[str, Any] = {"from": where[:LONGEST_WHERE], "fault": fault}
        if fault != "first password is over":  # who holds it guesses nothing
            row.failed += 1
            wait = wait_s(row.failed)
            row.locked_until_s = now_s + wait if wait else None
            details |= {"failed": row.failed, "waits_s": wait}
        note(db, now_s, row.name, "sign-in failed", "account", row.name, details)

    def _fault(self, row: AccountRow, is_right: bool, code: str | None, now_s: int) -> _Fault | None:
        """What is not right; takes the code, which then cannot be used again.

        Raises FactorKeyError if there is a second factor that cannot be opened; only who has the password
        gets that far.
        """
        if not is_right:
            return "password"
        if code is not None and row.factor_secret is not None:
            step = second_factor.step_of(self._opened(row), code, now_s, row.factor_step)
            if step is None:
                return "code"
            row.factor_step = step
        if row.first_until_s is not None and row.first_until_s <= now_s:
            return "first password is over"
        return None

    def _opened(self, row: AccountRow) -> str:
        try:
            return self._key.open(row.factor_secret or "", row.name)
        except FactorKeyError as exc:
            log.error("%s cannot sign in: %s", row.name, exc)  # noqa: TRY400 - no defect of ours
            raise
