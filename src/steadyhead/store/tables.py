"""Every table of the database, one class each.

Times are whole seconds since 1970-01-01 UTC (``_s``). ``store/migrations`` makes these tables; a test holds
that both say the same on SQLite and on PostgreSQL. Who writes what: alerts, audit, outages, suppressions,
findings and proofs are written by ``desk``; accounts, sessions and tokens by ``access``; the outbox by
``notify``; checkpoints, refused values and feeds by ``live``; all from ``members`` down by ``live/sharing``,
and by nobody where one process runs alone.
"""

from __future__ import annotations

from typing import Any, Literal

from sqlalchemy import (
    JSON,
    BigInteger,
    CheckConstraint,
    Double,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from steadyhead.alerts.model import AlertState, Priority
from steadyhead.types import Condition

ProofResult = Literal["pass", "not_yet", "cannot_tell"]

BIG_KEY = BigInteger().with_variant(Integer, "sqlite")  # SQLite numbers rows by itself only in INTEGER keys

NAMES = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """Root of all tables; constraints have names, so that a later migration can speak of them."""

    metadata = MetaData(naming_convention=NAMES)
    type_annotation_map = {  # noqa: RUF012 - SQLAlchemy reads it from the class
        int: BigInteger,
        float: Double,
        str: Text,
        bytes: LargeBinary,
        dict[str, Any]: JSON,
        dict[str, float]: JSON,
        dict[str, str]: JSON,
        list[str]: JSON,
    }


class AlertRow(Base):
    """One episode of a condition at a station.

    state : of ``alerts.lifecycle``; is_true : whether the condition holds now
    raised_s, ended_s, updated_s : data times; ended_s is None while it lasts
    document : the alert as it leaves the house (``alerts/schema.json``), always with the state of this row
    profile_version : by which it was raised first; that of its figures stands in the document
    facts, traits : what the verdict knew beside, for hints and plots
    rank : larger is worse; the order of the list of alerts (``desk/ranking.py``)
    announced_s : data time at which it last called for attention; the re-raise guard counts from it
    change_no : grows with every change of any alert, so that a page can ask for what is new
    """

    __tablename__ = "alerts"
    __table_args__ = (
        Index("ix_alerts_worst", "rank", "raised_s", "alert_id"),
        Index("ix_alerts_newest", "raised_s", "alert_id"),
        Index("ix_alerts_station", "station", "condition", "raised_s"),
        Index("ix_alerts_change_no", "change_no"),
        Index("ix_alerts_state", "state"),
        CheckConstraint("confidence >= 0 AND confidence <= 1", name="confidence"),
    )

    alert_id: Mapped[str] = mapped_column(String(32), primary_key=True)
    station: Mapped[str] = mapped_column(String(64))
    zone: Mapped[str | None]
    condition: Mapped[Condition] = mapped_column(String(32))
    priority: Mapped[Priority] = mapped_column(String(8))
    state: Mapped[AlertState] = mapped_column(String(32))
    is_true: Mapped[bool]
    began_s: Mapped[int]
    raised_s: Mapped[int]
    updated_s: Mapped[int]
    ended_s: Mapped[int | None]
    confidence: Mapped[float]
    document: Mapped[dict[str, Any]]
    facts: Mapped[dict[str, float]]
    traits: Mapped[dict[str, str]]
    profile_version: Mapped[str]
    shelved_until_s: Mapped[int | None]
    shelve_why: Mapped[str | None]
    acknowledged_s: Mapped[int | None]
    acknowledged_by: Mapped[str | None]
    announced_s: Mapped[int | None]
    rank: Mapped[int]
    change_no: Mapped[int]


class RaiseRow(Base):
    """One raise of a condition, so that a replay of it is known.

    name : alert id that the verdict had; alert_id : the alert it belongs to (an older one if it was joined)
    at_s, cleared_s : data times; cleared_s is None until its clear has been taken in
    """

    __tablename__ = "raises"
    __table_args__ = (
        Index("ix_raises_standing", "cleared_s", "at_s"),
        Index("ix_raises_alert_id", "alert_id", "at_s"),
    )

    name: Mapped[str] = mapped_column(String(32), primary_key=True)
    at_s: Mapped[int] = mapped_column(primary_key=True)
    alert_id: Mapped[str] = mapped_column(ForeignKey("alerts.alert_id"))
    cleared_s: Mapped[int | None]


class AnnouncementRow(Base):
    """An alert called for a person: raised, raised again, or back from shelving while it still holds.

    at_s : data time of a raise, time of the clock otherwise; the alarm-load figures count these rows
    """

    __tablename__ = "announcements"
    __table_args__ = (Index("ix_announcements_at_s", "at_s"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    at_s: Mapped[int]
    alert_id: Mapped[str] = mapped_column(ForeignKey("alerts.alert_id"))
    station: Mapped[str] = mapped_column(String(64))
    condition: Mapped[Condition] = mapped_column(String(32))
    priority: Mapped[Priority] = mapped_column(String(8))


class CounterRow(Base):
    """A number that only grows. The row ``change`` is locked by every write of the desk, one at a time."""

    __tablename__ = "counters"

    name: Mapped[str] = mapped_column(String(32), primary_key=True)
    value: Mapped[int]


class AuditRow(Base):
    """Who changed what, when and why; written in the transaction of the change, never altered.

    what : an event of ``alerts.lifecycle``, or a word of ``desk/audit.py``
    subject_kind, subject : "alert" and its id, "station" and its name, "suppression", "finding", ...
    details : what the change rested on, such as ``is_true`` or ``until_s``
    """

    __tablename__ = "audit"
    __table_args__ = (
        Index("ix_audit_subject", "subject_kind", "subject", "id"),
        Index("ix_audit_at_s", "at_s"),
    )

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    at_s: Mapped[int]
    who: Mapped[str]
    what: Mapped[str] = mapped_column(String(48))
    subject_kind: Mapped[str] = mapped_column(String(32))
    subject: Mapped[str]
    why: Mapped[str]
    from_state: Mapped[AlertState | None] = mapped_column(String(32))
    to_state: Mapped[AlertState | None] = mapped_column(String(32))
    details: Mapped[dict[str, Any]]


class StationRow(Base):
    """Whether a station is in service, and since when; a station never taken out has no row."""

    __tablename__ = "station_service"

    station: Mapped[str] = mapped_column(String(64), primary_key=True)
    is_out: Mapped[bool]
    since_s: Mapped[int]
    until_s: Mapped[int | None]
    who: Mapped[str]
    why: Mapped[str]


class SuppressRow(Base):
    """A suppression by design of what it names; what it leaves open matches everything."""

    __tablename__ = "suppressions"
    __table_args__ = (Index("ix_suppressions_released_s", "released_s"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    station: Mapped[str | None] = mapped_column(String(64))
    zone: Mapped[str | None]
    condition: Mapped[str | None] = mapped_column(String(32))
    from_s: Mapped[int]
    until_s: Mapped[int | None]
    who: Mapped[str]
    why: Mapped[str]
    released_s: Mapped[int | None]


class FindingRow(Base):
    """What a technician found and did; ``cause_key`` is one of the knowledge file, or None for free text."""

    __tablename__ = "findings"
    __table_args__ = (
        Index("ix_findings_station", "station", "at_s"),
        Index("ix_findings_condition", "condition", "cause_key"),
    )

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    alert_id: Mapped[str | None] = mapped_column(ForeignKey("alerts.alert_id"))
    station: Mapped[str] = mapped_column(String(64))
    condition: Mapped[Condition] = mapped_column(String(32))
    at_s: Mapped[int]
    who: Mapped[str]
    cause_key: Mapped[str | None] = mapped_column(String(64))
    text: Mapped[str]
    done: Mapped[str]
    repaired_s: Mapped[int | None]


class ProofRow(Base):
    """One look at whether a repair holds; result is "pass", "not_yet" or "cannot_tell"."""

    __tablename__ = "proofs"
    __table_args__ = (Index("ix_proofs_finding_id", "finding_id"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    finding_id: Mapped[int] = mapped_column(ForeignKey("findings.id"))
    station: Mapped[str] = mapped_column(String(64))
    made_s: Mapped[int]
    who: Mapped[str]
    result: Mapped[ProofResult] = mapped_column(String(16))
    numbers: Mapped[dict[str, Any]]
    sentences: Mapped[list[str]]


class AccountRow(Base):
    """A local user; the hash is argon2id, the password is nowhere.

    first_until_s : end of a first password, which somebody else has set; None where it is the person's own
    factor_secret : key of the second factor, sealed as ``access.factor_key`` has it; None without one
    factor_step : the last time step whose code was taken, so that none is taken twice
    """

    __tablename__ = "accounts"

    name: Mapped[str] = mapped_column(String(64), primary_key=True)
    role: Mapped[str] = mapped_column(String(16))
    password_hash: Mapped[str]
    created_s: Mapped[int]
    is_disabled: Mapped[bool] = mapped_column(default=False)
    failed: Mapped[int] = mapped_column(default=0)
    locked_until_s: Mapped[int | None]
    first_until_s: Mapped[int | None]
    factor_secret: Mapped[str | None]
    factor_step: Mapped[int | None]


class SessionRow(Base):
    """A signed-in browser; only the hash of its token is kept."""

    __tablename__ = "sessions"
    __table_args__ = (Index("ix_sessions_account", "account"),)

    token_hash: Mapped[str] = mapped_column(String(128), primary_key=True)
    account: Mapped[str] = mapped_column(ForeignKey("accounts.name"))
    created_s: Mapped[int]
    seen_s: Mapped[int]
    expires_s: Mapped[int]


class TokenRow(Base):
    """An integrator's token; scope is "read" or "write_readings"."""

    __tablename__ = "tokens"
    __table_args__ = (Index("ix_tokens_token_hash", "token_hash", unique=True),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    name: Mapped[str] = mapped_column(String(64))
    token_hash: Mapped[str] = mapped_column(String(128))
    scope: Mapped[str] = mapped_column(String(32))
    made_by: Mapped[str] = mapped_column(String(64))
    created_s: Mapped[int]
    expires_s: Mapped[int | None]
    revoked_s: Mapped[int | None]
    used_s: Mapped[int | None]


class OutboxRow(Base):
    """A message on its way; ``key`` is alert id, change and channel, so none is written twice."""

    __tablename__ = "outbox"
    __table_args__ = (
        Index("ix_outbox_key", "key", unique=True),
        Index("ix_outbox_due", "sent_s", "gave_up_s", "due_s"),
    )

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    key: Mapped[str] = mapped_column(String(255))
    channel: Mapped[str] = mapped_column(String(64))
    alert_id: Mapped[str] = mapped_column(String(32))
    change: Mapped[str] = mapped_column(String(48))
    payload: Mapped[dict[str, Any]]
    made_s: Mapped[int]
    due_s: Mapped[int]
    tries: Mapped[int] = mapped_column(default=0)
    sent_s: Mapped[int | None]
    gave_up_s: Mapped[int | None]
    last_error: Mapped[str | None]


class CheckpointRow(Base):
    """Where the engine of a station stands: its state, and the journal entry it has seen last."""

    __tablename__ = "checkpoints"

    station: Mapped[str] = mapped_column(String(64), primary_key=True)
    journal_no: Mapped[int]
    through_s: Mapped[int]
    state: Mapped[bytes]
    profile_version: Mapped[str]
    form: Mapped[int]


class RefusedRow(Base):
    """Readings refused for one reason, counted."""

    __tablename__ = "refused"
    __table_args__ = (Index("ix_refused_last_s", "last_s"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    source: Mapped[str]
    station: Mapped[str | None] = mapped_column(String(64))
    tag: Mapped[str | None]
    reason: Mapped[str]
    n: Mapped[int]
    first_s: Mapped[int]
    last_s: Mapped[int]
    example: Mapped[str]


class FeedRow(Base):
    """One source of readings and how it is doing."""

    __tablename__ = "feeds"

    source: Mapped[str] = mapped_column(String(255), primary_key=True)
    kind: Mapped[str] = mapped_column(String(32))
    state: Mapped[str] = mapped_column(String(32))
    last_ok_s: Mapped[int | None]
    last_error: Mapped[str | None]
    position: Mapped[dict[str, Any]]
    accepted: Mapped[int] = mapped_column(default=0)
    refused: Mapped[int] = mapped_column(default=0)
    late: Mapped[int] = mapped_column(default=0)


class MemberRow(Base):
    """A process that shares the fleet (``live/sharing``); gone when it has ended in order or was given up.

    name : as set, for people; layout : digest of how stations are divided, as its registry has it
    beat : grows as long as it lives; the others watch it by clocks of their own. beat_s : when, for people
    """

    __tablename__ = "members"

    id: Mapped[str] = mapped_column(String(32), primary_key=True)
    name: Mapped[str]
    layout: Mapped[str] = mapped_column(String(64))
    beat: Mapped[int]
    beat_s: Mapped[int]


class HoldingRow(Base):
    """What one process at a time may do: judge a share of the stations, run a feed, send messages ...

    owner : id of the member, or None; fence : grows with every change of the owner. Every write that only
    the owner may do locks this row and looks at both, in its own transaction.
    """

    __tablename__ = "holdings"

    name: Mapped[str] = mapped_column(String(128), primary_key=True)
    owner: Mapped[str | None] = mapped_column(String(32))
    fence: Mapped[int]


class SharingRow(Base):
    """What all processes of a shared fleet have to agree on: "id", "shares" and "layout"."""

    __tablename__ = "sharing"

    key: Mapped[str] = mapped_column(String(32), primary_key=True)
    value: Mapped[str]


class ShareInboxRow(Base):
    """Readings that a process has accepted for a share, until the share's owner takes them in.

    kind : how they came; at_s : when; body : ``live.reports``
    """

    __tablename__ = "share_inbox"
    __table_args__ = (Index("ix_share_inbox_share", "share", "id"),)

    id: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    share: Mapped[int]
    source: Mapped[str]
    kind: Mapped[str] = mapped_column(String(32))
    at_s: Mapped[int]
    n_items: Mapped[int]
    body: Mapped[bytes]


class ShareRecordRow(Base):
    """One record of the journal of a share; as in ``live.journal``, numbered over all shares.

    The last one of each share stays, so that its number and listening time are known.
    """

    __tablename__ = "share_records"
    __table_args__ = (Index("ix_share_records_share", "share", "no"),)

    no: Mapped[int] = mapped_column(BIG_KEY, primary_key=True, autoincrement=True)
    share: Mapped[int]
    kind: Mapped[str] = mapped_column(String(16))
    listened_s: Mapped[float]
    latest_s: Mapped[float]
    earliest_s: Mapped[float]
    n_items: Mapped[int]
    body: Mapped[bytes]


class SharePositionRow(Base):
    """How far a source has been read, in a shared fleet."""

    __tablename__ = "share_positions"

    source: Mapped[str] = mapped_column(String(255), primary_key=True)
    position: Mapped[dict[str, Any]]


class ShareCountRow(Base):
    """Readings from a source that a share has taken in; share -1 counts what was refused at the door."""

    __tablename__ = "share_counts"

    share: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    source: Mapped[str] = mapped_column(String(255), primary_key=True)
    kind: Mapped[str] = mapped_column(String(32))
    accepted: Mapped[int]
    late: Mapped[int]
    refused: Mapped[int]
    last_s: Mapped[int]


class ShareRefusalRow(Base):
    """Readings refused for one reason, counted as in ``live.tallies``."""

    __tablename__ = "share_refusals"

    share: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    source: Mapped[str] = mapped_column(String(255), primary_key=True)
    station: Mapped[str] = mapped_column(String(64), primary_key=True)
    tag: Mapped[str] = mapped_column(String(255), primary_key=True)
    reason: Mapped[str] = mapped_column(String(64), primary_key=True)
    n: Mapped[int]
    first_s: Mapped[int]
    last_s: Mapped[int]
    example: Mapped[str]


class ShareViewRow(Base):
    """What the stations of a share are doing, for the pages of other processes; written every few seconds.

    last_data_s : newest data time; body : ``live.sharing.shown``
    """

    __tablename__ = "share_views"

    share: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    at_s: Mapped[int]
    last_data_s: Mapped[int | None]
    body: Mapped[bytes]
