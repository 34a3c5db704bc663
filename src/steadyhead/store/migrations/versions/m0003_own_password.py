"""First passwords that end, and second factors; accounts that are there keep their password as an own one."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the columns."""
    op.add_column("accounts", sa.Column("first_until_s", sa.BigInteger(), nullable=True))
    op.add_column("accounts", sa.Column("factor_secret", sa.String(length=64), nullable=True))
    op.add_column("accounts", sa.Column("factor_step", sa.BigInteger(), nullable=True))
