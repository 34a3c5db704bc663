"""The first tables: alerts, audit, accounts, outbox, checkpoints, feeds.

Generated from ``store/tables.py`` and then frozen: it must not import what later versions change.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

BIG_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "accounts",
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("role", sa.String(length=16), nullable=False),
        sa.Column("password_hash", sa.Text(), nullable=False),
        sa.Column("created_s", sa.BigInteger(), nullable=False),
        sa.Column("is_disabled", sa.Boolean(), nullable=False),
        sa.Column("failed", sa.BigInteger(), nullable=False),
        sa.Column("locked_until_s", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_accounts")),
    )
    op.create_table(
        "alerts",
        sa.Column("alert_id", sa.String(length=32), nullable=False),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("zone", sa.Text(), nullable=True),
        sa.Column("condition", sa.String(length=32), nullable=False),
        sa.Column("priority", sa.String(length=8), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("is_true", sa.Boolean(), nullable=False),
        sa.Column("began_s", sa.BigInteger(), nullable=False),
        sa.Column("raised_s", sa.BigInteger(), nullable=False),
        sa.Column("updated_s", sa.BigInteger(), nullable=False),
        sa.Column("ended_s", sa.BigInteger(), nullable=True),
        sa.Column("confidence", sa.Double(), nullable=False),
        sa.Column("document", sa.JSON(), nullable=False),
        sa.Column("facts", sa.JSON(), nullable=False),
        sa.Column("traits", sa.JSON(), nullable=False),
        sa.Column("profile_version", sa.Text(), nullable=False),
        sa.Column("shelved_until_s", sa.BigInteger(), nullable=True),
        sa.Column("shelve_why", sa.Text(), nullable=True),
        sa.Column("acknowledged_s", sa.BigInteger(), nullable=True),
        sa.Column("acknowledged_by", sa.Text(), nullable=True),
        sa.Column("announced_s", sa.BigInteger(), nullable=True),
        sa.Column("rank", sa.BigInteger(), nullable=False),
        sa.Column("change_no", sa.BigInteger(), nullable=False),
        sa.CheckConstraint("confidence >= 0 AND confidence <= 1", name=op.f("ck_alerts_confidence")),
        sa.PrimaryKeyConstraint("alert_id", name=op.f("pk_alerts")),
    )
    op.create_index("ix_alerts_change_no", "alerts", ["change_no"], unique=False)
    op.create_index("ix_alerts_newest", "alerts", ["raised_s", "alert_id"], unique=False)
    op.create_index("ix_alerts_state", "alerts", ["state"], unique=False)
    op.create_index("ix_alerts_station", "alerts", ["station", "condition", "raised_s"], unique=False)
    op.create_index("ix_alerts_worst", "alerts", ["rank", "raised_s", "alert_id"], unique=False)
    op.create_table(
        "audit",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.String(length=48), nullable=False),
        sa.Column("subject_kind", sa.String(length=32), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("from_state", sa.String(length=32), nullable=True),
        sa.Column("to_state", sa.String(length=32), nullable=True),
        sa.Column("details", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_audit")),
    )
    op.create_index("ix_audit_at_s", "audit", ["at_s"], unique=False)
    op.create_index("ix_audit_subject", "audit", ["subject_kind", "subject", "id"], unique=False)
    op.create_table(
        "checkpoints",
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("journal_no", sa.BigInteger(), nullable=False),
        sa.Column("through_s", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.LargeBinary(), nullable=False),
        sa.Column("profile_version", sa.Text(), nullable=False),
        sa.Column("form", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_checkpoints")),
    )
    op.create_table(
        "counters",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name=op.f("pk_counters")),
    )
    op.create_table(
        "feeds",
        sa.Column("source", sa.String(length=255), nullable=False),
        sa.Column("kind", sa.String(length=32), nullable=False),
        sa.Column("state", sa.String(length=32), nullable=False),
        sa.Column("last_ok_s", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("position", sa.JSON(), nullable=False),
        sa.Column("accepted", sa.BigInteger(), nullable=False),
        sa.Column("refused", sa.BigInteger(), nullable=False),
        sa.Column("late", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("source", name=op.f("pk_feeds")),
    )
    op.create_table(
        "outbox",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("key", sa.String(length=255), nullable=False),
        sa.Column("channel", sa.String(length=64), nullable=False),
        sa.Column("alert_id", sa.String(length=32), nullable=False),
        sa.Column("change", sa.String(length=48), nullable=False),
        sa.Column("payload", sa.JSON(), nullable=False),
        sa.Column("made_s", sa.BigInteger(), nullable=False),
        sa.Column("due_s", sa.BigInteger(), nullable=False),
        sa.Column("tries", sa.BigInteger(), nullable=False),
        sa.Column("sent_s", sa.BigInteger(), nullable=True),
        sa.Column("gave_up_s", sa.BigInteger(), nullable=True),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_outbox")),
    )
    op.create_index("ix_outbox_due", "outbox", ["sent_s", "gave_up_s", "due_s"], unique=False)
    op.create_index("ix_outbox_key", "outbox", ["key"], unique=True)
    op.create_table(
        "refused",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("station", sa.String(length=64), nullable=True),
        sa.Column("tag", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("n", sa.BigInteger(), nullable=False),
        sa.Column("first_s", sa.BigInteger(), nullable=False),
        sa.Column("last_s", sa.BigInteger(), nullable=False),
        sa.Column("example", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_refused")),
    )
    op.create_index("ix_refused_last_s", "refused", ["last_s"], unique=False)
    op.create_table(
        "station_service",
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("is_out", sa.Boolean(), nullable=False),
        sa.Column("since_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("station", name=op.f("pk_station_service")),
    )
    op.create_table(
        "suppressions",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("station", sa.String(length=64), nullable=True),
        sa.Column("zone", sa.Text(), nullable=True),
        sa.Column("condition", sa.String(length=32), nullable=True),
        sa.Column("from_s", sa.BigInteger(), nullable=False),
        sa.Column("until_s", sa.BigInteger(), nullable=True),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("released_s", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_suppressions")),
    )
    op.create_index("ix_suppressions_released_s", "suppressions", ["released_s"], unique=False)
    op.create_table(
        "tokens",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("name", sa.String(length=64), nullable=False),
        sa.Column("token_hash", sa.String(length=128), nullable=False),
        sa.Column("scope", sa.String(length=32), nullable=False),
        sa.Column("made_by", sa.String(length=64), nullable=False),
        sa.Column("created_s", sa.BigInteger(), nullable=False),
        sa.Column("expires_s", sa.BigInteger(), nullable=True),
        sa.Column("revoked_s", sa.BigInteger(), nullable=True),
        sa.Column("used_s", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tokens")),
    )
    op.create_index("ix_tokens_token_hash", "tokens", ["token_hash"], unique=True)
    op.create_table(
        "announcements",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("alert_id", sa.String(length=32), nullable=False),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("condition", sa.String(length=32), nullable=False),
        sa.Column("priority", sa.String(length=8), nullable=False),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.alert_id"], name=op.f("fk_announcements_alert_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_announcements")),
    )
    op.create_index("ix_announcements_at_s", "announcements", ["at_s"], unique=False)
    op.create_table(
        "findings",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("alert_id", sa.String(length=32), nullable=True),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("condition", sa.String(length=32), nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("cause_key", sa.String(length=64), nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("done", sa.Text(), nullable=False),
        sa.Column("repaired_s", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.alert_id"], name=op.f("fk_findings_alert_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_findings")),
    )
    op.create_index("ix_findings_condition", "findings", ["condition", "cause_key"], unique=False)
    op.create_index("ix_findings_station", "findings", ["station", "at_s"], unique=False)
    op.create_table(
        "raises",
        sa.Column("name", sa.String(length=32), nullable=False),
        sa.Column("at_s", sa.BigInteger(), nullable=False),
        sa.Column("alert_id", sa.String(length=32), nullable=False),
        sa.Column("cleared_s", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["alert_id"], ["alerts.alert_id"], name=op.f("fk_raises_alert_id")),
        sa.PrimaryKeyConstraint("name", "at_s", name=op.f("pk_raises")),
    )
    op.create_index("ix_raises_alert_id", "raises", ["alert_id", "at_s"], unique=False)
    op.create_index("ix_raises_standing", "raises", ["cleared_s", "at_s"], unique=False)
    op.create_table(
        "sessions",
        sa.Column("token_hash", sa.String(length=128), nullable=False),
        sa.Column("account", sa.String(length=64), nullable=False),
        sa.Column("created_s", sa.BigInteger(), nullable=False),
        sa.Column("seen_s", sa.BigInteger(), nullable=False),
        sa.Column("expires_s", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["account"], ["accounts.name"], name=op.f("fk_sessions_account")),
        sa.PrimaryKeyConstraint("token_hash", name=op.f("pk_sessions")),
    )
    op.create_index("ix_sessions_account", "sessions", ["account"], unique=False)
    op.create_table(
        "proofs",
        sa.Column("id", BIG_KEY, autoincrement=True, nullable=False),
        sa.Column("finding_id", BIG_KEY, nullable=False),
        sa.Column("station", sa.String(length=64), nullable=False),
        sa.Column("made_s", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("result", sa.String(length=16), nullable=False),
        sa.Column("numbers", sa.JSON(), nullable=False),
        sa.Column("sentences", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["finding_id"], ["findings.id"], name=op.f("fk_proofs_finding_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_proofs")),
    )
    op.create_index("ix_proofs_finding_id", "proofs", ["finding_id"], unique=False)
    op.execute("INSERT INTO counters (name, value) VALUES ('change', 0)")
    _keep_audit()


def _keep_audit() -> None:
    """The audit only grows: the database itself refuses to alter or remove a row of it."""
    if op.get_bind().dialect.name == "sqlite":
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER audit_no_{act.lower()} BEFORE {act} ON audit "
                "BEGIN SELECT RAISE(ABORT, 'rows of the audit are never altered or removed'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION audit_is_kept() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'rows of the audit are never altered or removed'; END $$"
    )
    op.execute(
        "CREATE TRIGGER audit_is_kept BEFORE UPDATE OR DELETE ON audit "
        "FOR EACH ROW EXECUTE FUNCTION audit_is_kept()"
    )
