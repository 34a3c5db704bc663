"""Tables for a fleet that several processes share; empty where one process runs alone."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "members",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("layout", sa.String(length=64), nullable=False),
        sa.Column("beat", sa.BigInteger(), nullable=False),
        sa.Column("beat_s", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_members")),
    )
    op.create_table(
        "holdings",
        sa.Column("name", sa.String(length=128), nullable=False),
        sa.Column("owner", sa.String(length=32), nullable=True),
        sa.Column("fence", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_holdings")),
    )
    op.create_table(
        "sharing",
        sa.Column("key", sa.String(length=32), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_sharing")),
    )
    op.create_table(
        "share_inbox",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("share", sa.BigInteger(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("n_items", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_share_inbox")),
    )
    op.create_index("ix_share_inbox_share", "share_inbox", ["share", "id"], unique=False)
    op.create_table(
        "share_records",
        sa.Column("no", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("share", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("listened_s", sa.Double(), nullable=False),
        sa.Column("latest_s", sa.Double(), nullable=False),
        sa.Column("earliest_s", sa.Double(), nullable=False),
        sa.Column("n_items", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("no", name=op.f("pk_share_records")),
    )
    op.create_index("ix_share_records_share", "share_records", ["share", "no"], unique=False)
    op.create_table(
        "share_positions",
        sa.Column("source", sa.String(length=255), nullable=False),
        sa.Column("position", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("source", name=op.f("pk_share_positions")),
    )
    op.create_table(
        "share_counts",
        sa.Column("share", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("source", sa.String(length=255), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("accepted", sa.BigInteger(), nullable=False),
        sa.Column("late", sa.BigInteger(), nullable=False),
        sa.Column("refused", sa.BigInteger(), nullable=False),
        sa.Column("last_s", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("share", "source", name=op.f("pk_share_counts")),
    )
    op.create_table(
        "share_refusals",
        sa.Column("share", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("source", sa.String(length=255), nullable=False),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("tag", sa.String(length=255), nullable=False),
        sa.Column("reason", sa.String(length=64), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("first_s", sa.BigInteger(), nullable=False),
        sa.Column("last_s", sa.BigInteger(), nullable=False),
        sa.Column("example", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint(
            "share", "source", "station", "tag", "reason", name=op.f("pk_share_refusals")
        ),
    )
    op.create_table(
        "share_views",
        sa.Column("share", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("last_data_s", sa.BigInteger(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("share", name=op.f("pk_share_views")),
    )
