"""When people signed in last, and where they are signed in now: for the list of accounts."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from steadyhead.store.tables import AuditRow, SessionRow


@dataclass(frozen=True, slots=True)
class Activity:
    """Of one account. signed_in_s : the last sign-in, epoch seconds; n_sessions : open now."""

    signed_in_s: int | None = None
    n_sessions: int = 0


def activity(db: Session, now_s: int, idle_s: int, names: list[str]) -> dict[str, Activity]:
    """Of those accounts; ``idle_s`` is after how long of rest a session counts as over [s]."""
    last = select(AuditRow.subject, func.max(AuditRow.at_s)).where(
        AuditRow.subject_kind == "account", AuditRow.subject.in_(names), AuditRow.what == "signed in"
    )
    signed_in = {row[0]: row[1] for row in db.execute(last.group_by(AuditRow.subject))}
    good = select(SessionRow.account, func.count()).where(
        SessionRow.account.in_(names), SessionRow.expires_s > now_s, SessionRow.seen_s > now_s - idle_s
    )
    sessions = {row[0]: row[1] for row in db.execute(good.group_by(SessionRow.account))}
    return {name: Activity(signed_in.get(name), sessions.get(name, 0)) for name in names}
