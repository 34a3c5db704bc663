"""Sessions of people: opened by a sign-in, ended by time, rest, sign-out or a change of the account."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import cast

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from steadyhead.access.actor import Actor, Owes, Role
from steadyhead.access.remembered import Remembered
from steadyhead.access.secrets import NUMBER_LENGTH, digest, new_secret
from steadyhead.access.settings import AccessSettings
from steadyhead.errors import DatabaseError
from steadyhead.store.database import Database
from steadyhead.store.tables import AccountRow, SessionRow

TOUCH_EVERY_S = 60  # how often "last seen" is written; each request would be a write otherwise
LONGEST_SECRET = 200  # ours have 43 characters; longer ones are not worth hashing


@dataclass(frozen=True, slots=True)
class SessionView:
    """A session of an account. ``number`` names it; is_this : whether it is the one that asks."""

    number: str
    created_s: int
    seen_s: int
    expires_s: int
    is_this: bool


class Sessions:
    """Sessions in the database; only a digest of each secret is kept.

    clock : epoch seconds
    """

    def __init__(self, database: Database, clock: Callable[[], float], settings: AccessSettings) -> None:
        self._database = database
        self._clock = clock
        self._settings = settings
        self._remembered = Remembered(clock)

    def open(self, db: Session, account: str) -> str:
        """A new session within the caller's transaction; returns its secret. Clears out old ones."""
        now_s = int(self._clock())
        is_over = or_(SessionRow.expires_s <= now_s, SessionRow.seen_s <= now_s - self._settings.idle_s)
        db.execute(delete(SessionRow).where(is_over))
        secret = new_secret()
        db.add(
            SessionRow(
                token_hash=digest(secret),
                account=account,
                created_s=now_s,
                seen_s=now_s,
                expires_s=now_s + self._settings.session_s,
            )
        )
        return secret

    def who(self, secret: str) -> Actor | None:
        """The person who holds the session; None if it is unknown or over. Counts as use of it.

        Raises DatabaseError if the database is lost and this session was not seen before.
        """
        if not secret or len(secret) > LONGEST_SECRET:
            return None
        key = digest(secret)
        return self._remembered.ask(key, lambda: self._look_up(key))

    def _look_up(self, key: str) -> tuple[Actor, float] | None:
        now_s = int(self._clock())
        with self._database.reading() as db:  # waits for no writer
            row = db.get(SessionRow, key)
            account = None if row is None else db.get(AccountRow, row.account)
        if row is None or account is None or account.is_disabled:
            return None
        if row.expires_s <= now_s or row.seen_s + self._settings.idle_s <= now_s:
            return None
        if row.seen_s + TOUCH_EVERY_S <= now_s:
            self._touch(key, now_s)
        return Actor(account.name, role=cast("Role", account.role), owes=self._owes(account)), row.expires_s

    def _owes(self, account: AccountRow) -> Owes | None:
        if account.first_until_s is not None:
            return "own_password"
        is_asked = self._settings.second_factor_for_administrators and account.role == "administrator"
        return "second_factor" if is_asked and account.factor_secret is None else None

    def _touch(self, key: str, now_s: int) -> None:
        # A database that can be read but not written keeps nobody out.
        with suppress(DatabaseError), self._database.session() as db:
            db.execute(update(SessionRow).where(SessionRow.token_hash == key).values(seen_s=now_s))

    def close(self, secret: str) -> None:
        """End one session."""
        with self._database.session() as db:
            db.execute(delete(SessionRow).where(SessionRow.token_hash == digest(secret)))
        self._remembered.forget()

    def of(self, account: str, secret: str) -> list[SessionView]:
        """Sessions of an account that are still good, newest first; ``secret`` is of the one that asks."""
        now_s, mine = int(self._clock()), digest(secret)
        query = select(SessionRow).where(
            SessionRow.account == account,
            SessionRow.expires_s > now_s,
            SessionRow.seen_s > now_s - self._settings.idle_s,
        )
        with self._database.reading() as db:
            rows = db.scalars(query.order_by(SessionRow.created_s.desc(), SessionRow.token_hash))
            return [
                SessionView(
                    row.token_hash[:NUMBER_LENGTH],
                    row.created_s,
                    row.seen_s,
                    row.expires_s,
                    row.token_hash == mine,
                )
                for row in rows
            ]

    def forget(self) -> None:
        """Ask the database anew about every session."""
        self._remembered.forget()

    def close_one(self, db: Session, account: str, number: str) -> bool:
        """End one session of an account, within the caller's transaction; False if there is none."""
        if len(number) != NUMBER_LENGTH:
            return False
        which = (SessionRow.account == account, SessionRow.token_hash.startswith(number, autoescape=True))
        found = db.scalars(select(SessionRow.token_hash).where(*which)).all()
        db.execute(delete(SessionRow).where(SessionRow.token_hash.in_(found)))
        self._remembered.forget()
        return bool(found)

    def close_all(self, db: Session, account: str) -> None:
        """End all sessions of an account, within the caller's transaction."""
        db.execute(delete(SessionRow).where(SessionRow.account == account))
        self._remembered.forget()
