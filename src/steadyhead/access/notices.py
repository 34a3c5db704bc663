"""What a person is told of the own account at sign-in: who was in before, what failed, what was changed.

An account has no address to write to, so this is how people learn that somebody else used or changed it.
"""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.store.tables import AuditRow

CHANGES = {
    "account made": "the account was made",
    "password changed": "the password was changed",
    "first password set": "a first password was set",
    "role changed": "the role was changed",
    "account disabled": "the account was disabled",
    "account enabled": "the account was enabled",
    "second factor set up": "a second factor was set up",
    "second factor dropped": "the second factor was taken off",
    "sessions ended": "it was signed out everywhere",
}
MOST = 500
"""Rows that are looked at. Somebody who guesses on and on fills them in days; then the last sign-in may be
out of sight, and the count of failed ones says "or more"."""


@dataclass(frozen=True, slots=True)
class Happened:
    """Something in the audit: when (epoch s), from which address ("" if not known), by whom, in words."""

    at_s: int
    where: str
    who: str
    words: str


@dataclass(frozen=True, slots=True)
class Notices:
    """What to tell.

    before : the sign-in before this one
    failed : the latest of ``n_failed`` since then
    change : the last change of the account
    is_cut : whether more may have happened than was looked at
    """

    before: Happened | None
    failed: Happened | None
    n_failed: int
    change: Happened | None
    is_cut: bool


def of(db: Session, name: str, session_number: str) -> Notices:
    """From the audit, as the session of that number should see it."""
    query = select(AuditRow).where(AuditRow.subject_kind == "account", AuditRow.subject == name)
    rows = db.scalars(query.order_by(AuditRow.id.desc()).limit(MOST)).all()
    before = failed = change = None
    n_failed = 0
    is_past_this = False
    for row in rows:
        if row.what in CHANGES:
            change = change or _happened(row, CHANGES[row.what])
        elif row.what == "signed in" and row.details.get("session") == session_number:
            is_past_this = True
        elif row.what == "signed in" and is_past_this:
            before = before or _happened(row, "signed in")
        elif row.what == "sign-in failed" and before is None:
            failed = failed or _happened(row, "sign-in failed")
            n_failed += 1
        if before is not None and change is not None:
            break
    return Notices(before, failed, n_failed, change, is_cut=len(rows) == MOST and before is None)


def _happened(row: AuditRow, words: str) -> Happened:
    return Happened(row.at_s, str(row.details.get("from", "")), row.who, words)
