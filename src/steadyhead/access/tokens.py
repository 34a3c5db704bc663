"""Tokens of programs that write or read: named, scoped, with an end, shown once."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import cast

from sqlalchemy import select, update

from steadyhead.access.actor import SCOPES, Actor, Scope
from steadyhead.access.remembered import Remembered
from steadyhead.access.secrets import TOKEN_PREFIX, digest, new_secret
from steadyhead.access.trail import note
from steadyhead.errors import AccessError, DatabaseError, NotFoundError
from steadyhead.store.database import Database
from steadyhead.store.tables import TokenRow

NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.@ -]{0,63}\Z")
DAY_S = 86_400
MOST_DAYS = 3650
TOUCH_EVERY_S = 60
LONGEST_SECRET = 200


@dataclass(frozen=True, slots=True)
class TokenView:
    """A token as it is shown: everything but its secret. Times in epoch seconds."""

    token_id: int
    name: str
    scope: Scope
    made_by: str
    created_s: int
    expires_s: int | None
    revoked_s: int | None
    used_s: int | None


@dataclass(frozen=True, slots=True)
class NewToken:
    """A token just made. ``secret`` is not kept anywhere; hand it over and forget it."""

    secret: str
    view: TokenView

    def __repr__(self) -> str:
        return f"NewToken(secret='...', view={self.view!r})"  # a log line of it must not hold the secret


class Tokens:
    """Tokens in the database; only a digest of each secret is kept.

    clock : epoch seconds
    """

    def __init__(self, database: Database, clock: Callable[[], float]) -> None:
        self._database = database
        self._clock = clock
        self._remembered = Remembered(clock)

    def make(self, name: str, scope: Scope, made_by: str, days: float | None) -> NewToken:
        """Make a token that ends after ``days``, or never if None.

        Raises AccessError if name, scope or days are not fit.
        """
        if not NAME.match(name):
            raise AccessError(
                f'"{name[:70]}" cannot name a token; use up to 64 letters, digits, spaces or any of _-.@, '
                "such as the name of the program that will hold it"
            )
        if scope not in SCOPES:
            raise AccessError(f'"{str(scope)[:70]}" is no scope; use one of {", ".join(SCOPES)}')
        if days is not None and not 0 < days <= MOST_DAYS:
            raise AccessError(f"a token cannot last {days:g} days; give more than 0 and at most {MOST_DAYS}")
        now_s = int(self._clock())
        secret = TOKEN_PREFIX + new_secret()
        row = TokenRow(
            name=name,
            token_hash=digest(secret),
            scope=scope,
            made_by=made_by,
            created_s=now_s,
            expires_s=None if days is None else now_s + round(days * DAY_S),
            revoked_s=None,
            used_s=None,
        )
        with self._database.session() as db:
            db.add(row)
            db.flush()
            note(db, now_s, made_by, "token made", "token", str(row.id), {"name": name, "scope": scope})
            return NewToken(secret, _view(row))

    def who(self, secret: str) -> Actor | None:
        """The program that holds the token; None if it is unknown, expired or revoked.

        Raises DatabaseError if the database is lost and this token was not seen before.
        """
        if not secret.startswith(TOKEN_PREFIX) or len(secret) > LONGEST_SECRET:
            return None
        key = digest(secret)
        return self._remembered.ask(key, lambda: self._look_up(key))

    def _look_up(self, key: str) -> tuple[Actor, float] | None:
        now_s = int(self._clock())
        with self._database.reading() as db:  # waits for no writer
            row = db.scalars(select(TokenRow).where(TokenRow.token_hash == key)).one_or_none()
        if row is None or row.revoked_s is not None:
            return None
        ends_s = math.inf if row.expires_s is None else row.expires_s
        if ends_s <= now_s:
            return None
        if row.used_s is None or row.used_s + TOUCH_EVERY_S <= now_s:
            with suppress(DatabaseError), self._database.session() as db:
                db.execute(update(TokenRow).where(TokenRow.id == row.id).values(used_s=now_s))
        return Actor(row.name, scope=cast("Scope", row.scope)), ends_s

    def why_not(self, secret: str) -> str:
        """Why a token was refused, in words. Only who holds the true secret learns more than "not known"."""
        row = None
        if secret.startswith(TOKEN_PREFIX) and len(secret) <= LONGEST_SECRET:
            with self._database.reading() as db:
                row = db.scalars(select(TokenRow).where(TokenRow.token_hash == digest(secret))).one_or_none()
        if row is None:
            return "the token is not known; check that all of it was copied, or ask for a new one"
        if row.revoked_s is not None:
            return f'the token "{row.name}" was revoked on {_day(row.revoked_s)}; ask for a new one'
        if row.expires_s is not None:
            return f'the token "{row.name}" ended on {_day(row.expires_s)}; ask for a new one'
        return f'the token "{row.name}" was not taken; try again'

    def all(self) -> list[TokenView]:
        """All tokens, newest first."""
        with self._database.reading() as db:
            return [_view(row) for row in db.scalars(select(TokenRow).order_by(TokenRow.id.desc()))]

    def revoke(self, token_id: int, by: str) -> TokenView:
        """End a token now; it stays in the list. Raises NotFoundError."""
        now_s = int(self._clock())
        with self._database.session() as db:
            row = db.get(TokenRow, token_id)
            if row is None:
                raise NotFoundError(
                    f"there is no token {token_id}; list them with: steadyhead account tokens"
                )
            if row.revoked_s is None:
                row.revoked_s = now_s
                note(db, now_s, by, "token revoked", "token", str(token_id), {"name": row.name})
            view = _view(row)
        self._remembered.forget()
        return view


def _day(time_s: int) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d, %H:%M UTC")


def _view(row: TokenRow) -> TokenView:
    return TokenView(
        token_id=row.id,
        name=row.name,
        scope=cast("Scope", row.scope),
        made_by=row.made_by,
        created_s=row.created_s,
        expires_s=row.expires_s,
        revoked_s=row.revoked_s,
        used_s=row.used_s,
    )
