"""Room for sealed second factors. What stands in clear is sealed at the next start, which knows the key."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the column one of any length."""
    if op.get_bind().dialect.name != "sqlite":
        op.alter_column("accounts", "factor_secret", type_=sa.Text(), existing_nullable=True)
        return
    # SQLite cannot alter a column in place, and making the table anew would break what refers to its rows.
    op.execute("PRAGMA secure_delete = ON")
    op.add_column("accounts", sa.Column("factor_longer", sa.Text(), nullable=True))
    op.execute("UPDATE accounts SET factor_longer = factor_secret")
    op.execute("ALTER TABLE accounts DROP COLUMN factor_secret")
    op.execute("ALTER TABLE accounts RENAME COLUMN factor_longer TO factor_secret")
