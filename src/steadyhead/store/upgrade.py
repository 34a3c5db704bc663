"""Bring a database up to the tables this program knows."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, text

from steadyhead.errors import DatabaseError

FOLDER = Path(__file__).with_name("migrations")
LOCK_NO = 0x57EAD  # any number nobody else uses: two services that start at once upgrade one after the other


def upgrade(engine: Engine, where: str) -> None:
    """Run what is missing, all of it in one transaction.

    Raises DatabaseError if the database was written by a newer version.
    """
    config = Config()
    config.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:no)"), {"no": LOCK_NO})
        found, known = revision(connection), ScriptDirectory.from_config(config)
        if found == known.get_current_head():
            return
        names = {step.revision for step in known.walk_revisions()}
        if found is not None and found not in names:
            raise DatabaseError(
                f"{where}: its tables are of step {found}, this program knows up to "
                f"{known.get_current_head()}; update the program, or open a backup of before"
            )
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def revision(connection: Connection) -> str | None:
    """The step the tables are at; None for an empty database."""
    return MigrationContext.configure(connection).get_current_revision()
