"""What happens to accounts and tokens, in the same audit trail as what happens to alerts."""

from __future__ import annotations

from typing import Any

from sqlalchemy.orm import Session

from steadyhead.store.tables import AuditRow


def note(
    db: Session,
    at_s: int,
    who: str,
    what: str,
    kind: str,
    subject: str,
    details: dict[str, Any] | None = None,
) -> None:
    """Add a row within the caller's transaction. ``details`` never holds a secret or a hash."""
    db.add(
        AuditRow(
            at_s=at_s,
            who=who,
            what=what,
            subject_kind=kind,
            subject=subject,
            why="",
            from_state=None,
            to_state=None,
            details=details or {},
        )
    )
