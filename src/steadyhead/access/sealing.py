"""At a start: seal second factors an older version kept in clear, and tell of those that cannot be opened."""

from __future__ import annotations

import logging

from sqlalchemy import select, text

from steadyhead.access.factor_key import RESET, FactorKey, is_sealed
from steadyhead.access.trail import note
from steadyhead.desk.audit import SERVICE
from steadyhead.store.database import Database
from steadyhead.store.tables import AccountRow

log = logging.getLogger(__name__)


def seal_stored(database: Database, key: FactorKey, now_s: int) -> list[str]:
    """Seal what stands in clear, all of it or nothing; returns the names of those accounts.

    Logs an error for every account whose second factor the key of now cannot open: its owner cannot sign in.
    Raises FactorKeyError if something is to be sealed and the key can be neither read nor made.
    """
    wanted = select(AccountRow).where(AccountRow.factor_secret.is_not(None)).order_by(AccountRow.name)
    with database.reading() as db:
        rows = list(db.scalars(wanted))
    if any(not is_sealed(row.factor_secret or "") for row in rows):
        return _seal(database, key, now_s)
    for row in rows:
        fault = key.fault_of(row.factor_secret or "") if key.path is not None else "no key file is named"
        if fault is not None:
            log.error('the second factor of "%s" cannot be checked: %s; %s', row.name, fault, RESET)
    return []


def _seal(database: Database, key: FactorKey, now_s: int) -> list[str]:
    done = []
    with database.session() as db:
        if db.get_bind().dialect.name == "sqlite":
            db.execute(text("PRAGMA secure_delete = ON"))  # what stood in clear is overwritten in the file
        rows = db.scalars(
            select(AccountRow)
            .where(AccountRow.factor_secret.is_not(None))
            .order_by(AccountRow.name)
            .with_for_update()
        )
        for row in rows:
            clear = row.factor_secret
            if clear is not None and not is_sealed(clear):
                row.factor_secret = key.seal(clear, row.name)
                note(db, now_s, SERVICE, "second factor sealed", "account", row.name)
                done.append(row.name)
    log.info("sealed the second factors of %s, which an older version kept in clear", ", ".join(done))
    return done
