"""What of the live run does not work now."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class Health:
    """What failed at the last try, in words; None where it succeeded.

    database : the desk could not be told, so judging waits
    checkpoint : what is judged could not be made safe in the database, so a restart would judge it again
    """

    database: str | None = None
    checkpoint: str | None = None
    archive: str | None = None
    journal: str | None = None
    desk: str | None = None
