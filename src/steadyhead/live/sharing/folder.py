"""A folder that all processes of a fleet reach: is it the same one for all?"""

from __future__ import annotations

import json
from pathlib import Path

from sqlalchemy import text

from steadyhead.archive.shares import write_places
from steadyhead.errors import JournalError
from steadyhead.files import write_atomically
from steadyhead.live.sharing.layout import PLACES
from steadyhead.store.database import Database
from steadyhead.store.tables import SharingRow

FILE = "fleet-id"


def same_folder(database: Database, fleet: str, folder: Path, key: str) -> None:
    """See that a folder is the one that the others use: the first process leaves the fleet's id in it.

    key : of the settings, for people. Raises JournalError if it is another one, or cannot be used.
    """
    path = folder / FILE
    with database.session() as session:
        session.execute(text("LOCK TABLE sharing IN EXCLUSIVE MODE"))  # two that start at once
        row = session.get(SharingRow, key)
        if row is None:
            session.add(SharingRow(key=key, value="marked"))
            session.flush()
        try:
            folder.mkdir(parents=True, exist_ok=True)
            found = path.read_text(encoding="utf-8").strip() if path.exists() else ""
            if not found and row is None:
                write_atomically(path, fleet + "\n")
                return
        except (OSError, UnicodeDecodeError) as exc:
            raise JournalError(f"{folder}: cannot be used as {key} ({exc}); check its rights") from exc
    if found != fleet:
        met = "belongs to another fleet than this database" if found else f"has no file {FILE} of this fleet"
        raise JournalError(
            f"{folder}: {met}, so it is not the folder that the other processes use; name that one under "
            f"{key}. If the folder was moved there by hand, write {fleet} into {path}"
        )


def leave_places(database: Database, folder: Path) -> None:
    """Write into the folder for readings which share each station belongs to, and belonged to before.

    Raises DatabaseError, or OutputError if it cannot be written.
    """
    with database.session() as session:
        row = session.get(SharingRow, PLACES, with_for_update=True)  # two would write in any order
        if row is not None:
            write_places(folder, json.loads(row.value))
