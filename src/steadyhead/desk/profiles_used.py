"""Which profile a station is judged by, who put it in use and when: one line of the audit each."""

from __future__ import annotations

from sqlalchemy import select

from steadyhead.profile.model import Profile
from steadyhead.store.database import Database
from steadyhead.store.tables import AuditRow

IN_USE = "profile_in_use"


def note_in_use(
    database: Database, now_s: float, profile: Profile, replaced: Profile | None, who: str
) -> bool:
    """Write down that a profile was put in use; False if that is what was written down last.

    replaced : the one before, or None for a first. Raises DatabaseError.
    """
    latest = (
        select(AuditRow)
        .where(
            AuditRow.subject_kind == "station", AuditRow.subject == profile.station, AuditRow.what == IN_USE
        )
        .order_by(AuditRow.id.desc())
        .limit(1)
    )
    with database.session() as session:
        row = session.scalars(latest).first()
        if row is not None and row.details["version"] == profile.version:
            return False
        session.add(
            AuditRow(
                at_s=int(now_s), who=who, what=IN_USE, subject_kind="station", subject=profile.station,
                why="",
                details={
                    "version": profile.version, "replaced": None if replaced is None else replaced.version,
                    "from_s": profile.from_s, "to_s": profile.to_s,
                },
            )
        )  # fmt: skip
    return True
