"""Run by Alembic for every upgrade; the open connection comes from ``store.database``."""

from __future__ import annotations

from alembic import context

from steadyhead.store.tables import Base

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    render_as_batch=connection.dialect.name == "sqlite",  # SQLite cannot alter a column in place
)
with context.begin_transaction():
    context.run_migrations()
