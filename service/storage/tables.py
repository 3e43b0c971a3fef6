"""What is stored, table by table. Unique keys make repeats harmless; every time is UTC and refuses to be naive."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from typing import Any

from sqlalchemy import (
    JSON,
    Date,
    DateTime,
    Float,
    ForeignKey,
    Index,
    MetaData,
    String,
    Text,
    Time,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy import (
    text as sql,
)
from sqlalchemy.engine import Dialect
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class UtcDateTime(TypeDecorator[datetime]):
    """An instant, stored in UTC. Raises ValueError for a time without a zone: a guessed zone sends at night."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From an aware datetime to UTC."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a stored instant needs a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """From the database's UTC to an aware datetime."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Root of the tables, with predictable constraint names so that migrations can name them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 (SQLAlchemy reads this as a plain class attribute)
        datetime: UtcDateTime,
        date: Date,
        time: Time,
        str: Text,
        dict[str, Any]: JSON,
    }


Id = String(32)


class StaffRow(Base):
    """One member of staff. `roles` is a comma-separated list, and so is `approves`: the languages whose wording they
    may approve ("*" for every one)."""

    __tablename__ = "staff"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    login: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str]
    password_hash: Mapped[str]
    roles: Mapped[str]
    approves: Mapped[str] = mapped_column(default="")
    active: Mapped[bool] = mapped_column(default=True)
    failures: Mapped[int] = mapped_column(default=0)
    locked_until: Mapped[datetime | None]


class StaffSessionRow(Base):
    """A signed-in browser; the cookie's value is stored hashed only."""

    __tablename__ = "staff_sessions"
    token_hash: Mapped[str] = mapped_column(primary_key=True)
    staff_id: Mapped[str] = mapped_column(ForeignKey("staff.id"))
    csrf: Mapped[str]
    started: Mapped[datetime]
    seen: Mapped[datetime]


class PersonRow(Base):
    """A patient with the contact through which they, or who acts for them, are reached. `search` is lower case.

    `phone` and `email` are taken out of the contact, in the form in which they are compared; `joins` is its
    `join_with_others`.
    """

    __tablename__ = "people"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    name: Mapped[str]
    search: Mapped[str] = mapped_column(index=True)
    born: Mapped[date | None]
    contact: Mapped[str]
    history: Mapped[str]
    created: Mapped[datetime]
    phone: Mapped[str | None] = mapped_column(index=True)
    email: Mapped[str | None] = mapped_column(index=True)
    joins: Mapped[bool] = mapped_column(default=False, server_default=sql("false"))


class VisitRow(Base):
    """One visit as it was ticked."""

    __tablename__ = "visits"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    document: Mapped[str]
    by: Mapped[str]
    created: Mapped[datetime] = mapped_column(index=True)


class PlanRow(Base):
    """One plan, frozen as it was given. `calendar_seed` is the random root of its calendar UIDs. `softening`: how its
    softening courses stand since its appointment changed; empty while they stand as given."""

    __tablename__ = "plans"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    visit_id: Mapped[str] = mapped_column(ForeignKey("visits.id"))
    status: Mapped[str]
    document: Mapped[str]
    pack: Mapped[str]
    given: Mapped[datetime]
    by: Mapped[str]
    appointment_on: Mapped[date | None]
    appointment_at: Mapped[time | None]
    calendar_seed: Mapped[str]
    softening: Mapped[str | None]

    __table_args__ = (
        Index(
            "ix_plans_appointment_on",
            "appointment_on",
            sqlite_where=sql("appointment_on IS NOT NULL"),
            postgresql_where=sql("appointment_on IS NOT NULL"),
        ),
    )


class LinkRow(Base):
    """A patient's link. Only the hash of its token is here; the token is derived from the id and the secret key."""

    __tablename__ = "links"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    token_hash: Mapped[str] = mapped_column(unique=True)
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    created: Mapped[datetime]
    revoked: Mapped[datetime | None]


class MessageRow(Base):
    """One message from plan to outcome: the only truth about it. See `domain/message.py` for the states.

    `look_at` is when a worker should next look at it. `lease_token` rises at every claim; an outcome is written only
    under the token that was claimed with, so a worker that lost its lease cannot overwrite its successor.

    `handed`: when its last hand-over began. `carrier`: the message whose text also says this one. `rendering` counts
    the different texts that were made for it, and is a part of the key that the far side sees; `key_since` is when that
    key was first used. `tried` names the channels that refused it, with commas between. `repeat_at`: when an uncertain
    message is handed over once more by itself, `repeats` how often that was done.
    """

    __tablename__ = "messages"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    plan_id: Mapped[str] = mapped_column(ForeignKey("plans.id"))
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    key: Mapped[str]
    kind: Mapped[str]
    due: Mapped[datetime]
    earliest: Mapped[datetime]
    last_useful: Mapped[datetime]
    wall: Mapped[str]
    zone: Mapped[str]
    parts: Mapped[str]
    state: Mapped[str]
    look_at: Mapped[datetime]
    superseded: Mapped[bool] = mapped_column(default=False)
    reason: Mapped[str | None]
    detail: Mapped[str] = mapped_column(default="")
    lease_owner: Mapped[str | None]
    lease_until: Mapped[datetime | None]
    lease_token: Mapped[int] = mapped_column(default=0)
    attempts: Mapped[int] = mapped_column(default=0)
    channel: Mapped[str | None]
    to: Mapped[str | None]
    language: Mapped[str | None]
    subject: Mapped[str | None]
    text: Mapped[str | None]
    html: Mapped[str | None]
    units: Mapped[str | None]
    body_hash: Mapped[str | None]
    reference: Mapped[str | None]
    finished: Mapped[datetime | None]
    handed: Mapped[datetime | None]
    carrier: Mapped[str | None] = mapped_column(Id)
    rendering: Mapped[int] = mapped_column(default=0, server_default="0")
    key_since: Mapped[datetime | None]
    tried: Mapped[str] = mapped_column(default="", server_default="")
    repeat_at: Mapped[datetime | None]
    repeats: Mapped[int] = mapped_column(default=0, server_default="0")

    __table_args__ = (
        UniqueConstraint("plan_id", "key"),
        Index(
            "ix_messages_waiting",
            "look_at",
            sqlite_where=sql("state = 'pending'"),
            postgresql_where=sql("state = 'pending'"),
        ),
        Index(
            "ix_messages_leased",
            "lease_until",
            sqlite_where=sql("state IN ('claimed', 'handing')"),
            postgresql_where=sql("state IN ('claimed', 'handing')"),
        ),
        Index("ix_messages_reference", "reference"),
        Index(
            "ix_messages_repeat",
            "repeat_at",
            sqlite_where=sql("repeat_at IS NOT NULL"),
            postgresql_where=sql("repeat_at IS NOT NULL"),
        ),
        Index(
            "ix_messages_carrier",
            "carrier",
            sqlite_where=sql("carrier IS NOT NULL"),
            postgresql_where=sql("carrier IS NOT NULL"),
        ),
        Index(
            "ix_messages_handed",
            "person_id",
            "handed",
            sqlite_where=sql("handed IS NOT NULL"),
            postgresql_where=sql("handed IS NOT NULL"),
        ),
        Index("ix_messages_finished", "finished"),
    )


class AttemptRow(Base):
    """One hand-over, begun before the first octet leaves; `result` stays empty if nobody lived to write it. `key` and
    `body_hash` are what the far side was shown: the same words under the same key, or other words under another."""

    __tablename__ = "attempts"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    message_id: Mapped[str] = mapped_column(ForeignKey("messages.id"), index=True)
    number: Mapped[int]
    lease_token: Mapped[int]
    channel: Mapped[str | None]
    key: Mapped[str | None]
    body_hash: Mapped[str | None]
    begun: Mapped[datetime]
    ended: Mapped[datetime | None]
    result: Mapped[str | None]
    detail: Mapped[str] = mapped_column(default="")
    late: Mapped[bool] = mapped_column(default=False)


class AuditRow(Base):
    """Who did what to which record, when. Rows are only added; `detail` holds codes and ids, never names or text."""

    __tablename__ = "audit"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    at: Mapped[datetime] = mapped_column(index=True)
    actor: Mapped[str]
    action: Mapped[str]
    subject: Mapped[str] = mapped_column(index=True)
    detail: Mapped[dict[str, Any]]


class AuditShownRow(Base):
    """Finds the lines of the audit record whose `detail` names a person among others: one look at a list is one line.
    No key of `people`: who looked stays on record when the person is erased."""

    __tablename__ = "audit_shown"
    person_id: Mapped[str] = mapped_column(Id, primary_key=True)
    audit_id: Mapped[int] = mapped_column(ForeignKey("audit.id"), primary_key=True)

    __table_args__ = {"sqlite_with_rowid": False}  # noqa: RUF012 (SQLAlchemy reads it; half the room on SQLite)


class AttentionRow(Base):
    """One thing on the attention list. A message is on it at most once per reason."""

    __tablename__ = "attention"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    at: Mapped[datetime]
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    message_id: Mapped[str | None] = mapped_column(ForeignKey("messages.id"))
    reason: Mapped[str]
    detail: Mapped[str] = mapped_column(default="")
    done: Mapped[datetime | None]
    done_by: Mapped[str | None]

    __table_args__ = (
        UniqueConstraint("person_id", "message_id", "reason"),
        Index("ix_attention_open", "at", sqlite_where=sql("done IS NULL"), postgresql_where=sql("done IS NULL")),
    )


class InboundRow(Base):
    """Words that somebody sent. `id` is the far side's own, so that a repeat is one row; `whole` is a mail's full text.

    `settled`: its effects were carried out. `handled`: nothing here waits for a person any more (what does is on the
    attention list, or `person_id` is empty because we do not know the sender).
    """

    __tablename__ = "inbound"
    channel: Mapped[str] = mapped_column(primary_key=True)
    id: Mapped[str] = mapped_column(primary_key=True)
    sender: Mapped[str]
    text: Mapped[str]
    whole: Mapped[str] = mapped_column(default="")
    at: Mapped[datetime]
    in_reply_to: Mapped[str | None]
    person_id: Mapped[str | None] = mapped_column(ForeignKey("people.id"), index=True)
    message_id: Mapped[str | None] = mapped_column(ForeignKey("messages.id"))
    meaning: Mapped[str]
    settled: Mapped[datetime | None]
    handled: Mapped[datetime | None]
    handled_by: Mapped[str | None]

    __table_args__ = (
        Index("ix_inbound_sender", "sender"),
        Index("ix_inbound_open", "at", sqlite_where=sql("handled IS NULL"), postgresql_where=sql("handled IS NULL")),
    )


class ReportRow(Base):
    """One receipt or bounce as it came. `applied` stays empty while its message is not known or not yet sent.

    An empty `key` or `reference` means that the far side gave none.
    """

    __tablename__ = "reports"
    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=True)
    channel: Mapped[str]
    key: Mapped[str] = mapped_column(default="")
    reference: Mapped[str] = mapped_column(default="")
    state: Mapped[str]
    at: Mapped[datetime]
    detail: Mapped[str] = mapped_column(default="")
    contact_bad: Mapped[bool] = mapped_column(default=False)
    message_id: Mapped[str | None] = mapped_column(ForeignKey("messages.id"), index=True)
    came: Mapped[datetime]
    applied: Mapped[datetime | None]

    __table_args__ = (
        UniqueConstraint("channel", "key", "reference", "state"),
        Index("ix_reports_kept", "came", sqlite_where=sql("applied IS NULL"), postgresql_where=sql("applied IS NULL")),
    )


class TransportStateRow(Base):
    """How the transport of a channel does. `failures` in a row, and since then `pauses`, the last until `paused_until`;
    `trial_until`: one message is tried until then. `next_free`: when a rate limit lets the next one go. `off_since`:
    switched off by a person."""

    __tablename__ = "transport_states"
    channel: Mapped[str] = mapped_column(primary_key=True)
    failures: Mapped[int] = mapped_column(default=0)
    pauses: Mapped[int] = mapped_column(default=0)
    paused_until: Mapped[datetime | None]
    trial_until: Mapped[datetime | None]
    detail: Mapped[str] = mapped_column(default="")
    next_free: Mapped[datetime | None]
    off_since: Mapped[datetime | None]
    off_by: Mapped[str | None]


class LetterRow(Base):
    """A letter that was made ready: in which batch it was printed, and when somebody ticked it as posted."""

    __tablename__ = "letters"
    message_id: Mapped[str] = mapped_column(ForeignKey("messages.id"), primary_key=True)
    made: Mapped[datetime]
    batch_id: Mapped[str | None] = mapped_column(ForeignKey("letter_batches.id"), index=True)
    posted: Mapped[datetime | None]
    posted_by: Mapped[str | None]


class LetterBatchRow(Base):
    """Letters that were put together for one print run."""

    __tablename__ = "letter_batches"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    made: Mapped[datetime]
    by: Mapped[str]


class RequestRow(Base):
    """A request that was carried out, by the key that its form carried: a second press of the button finds the answer
    to the first. `digest` is of what was asked, `answer` the id of what came of it."""

    __tablename__ = "requests"
    key: Mapped[str] = mapped_column(primary_key=True)
    digest: Mapped[str]
    answer: Mapped[str]
    at: Mapped[datetime]


class CallbackRow(Base):
    """A signed call from a text gateway, by the hash of its signature: the same call a second time is a replay."""

    __tablename__ = "callbacks"
    mark: Mapped[str] = mapped_column(primary_key=True)
    at: Mapped[datetime] = mapped_column(index=True)


class WordingRevisionRow(Base):
    """One text of one wording unit in one language; written once. `texts` is JSON, "" for a shipped text approved
    before texts were kept: then `digest` finds it. `remarks` is JSON by form: what a translator wrote beside it.
    Approval and withdrawal are filled in once each."""

    __tablename__ = "wording_revisions"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    language: Mapped[str]
    unit: Mapped[str]
    texts: Mapped[str]
    digest: Mapped[str]
    source_digest: Mapped[str]
    origin: Mapped[str]
    note: Mapped[str] = mapped_column(default="")
    written_by: Mapped[str]
    writer: Mapped[str] = mapped_column(default="")
    written_at: Mapped[datetime]
    approved_by: Mapped[str | None]
    approver: Mapped[str] = mapped_column(default="")
    approved_at: Mapped[datetime | None]
    effective: Mapped[datetime | None]
    reason: Mapped[str] = mapped_column(default="")
    own_words: Mapped[bool] = mapped_column(default=False)
    withdrawn_by: Mapped[str | None]
    withdrawn_at: Mapped[datetime | None]
    remarks: Mapped[str | None]
    __table_args__ = (Index("ix_wording_revisions_unit", "unit", "language"),)


class RecallRow(Base):
    """One person to be asked back; see `domain/recall.py`. A person has at most one that is open."""

    __tablename__ = "recalls"
    id: Mapped[str] = mapped_column(Id, primary_key=True)
    person_id: Mapped[str] = mapped_column(ForeignKey("people.id"), index=True)
    plan_id: Mapped[str] = mapped_column(ForeignKey("plans.id"), index=True)
    ears: Mapped[str]
    earliest: Mapped[date]
    ideal: Mapped[date]
    latest: Mapped[date]
    weight: Mapped[float] = mapped_column(Float)
    template: Mapped[str]
    invite_on: Mapped[date]
    opened: Mapped[datetime]
    state: Mapped[str]
    week: Mapped[date | None]
    round: Mapped[int]
    answer: Mapped[str | None]
    answered: Mapped[datetime | None]
    answered_by: Mapped[str | None]
    missed: Mapped[int]
    ended: Mapped[str | None]
    closed: Mapped[datetime | None]

    __table_args__ = (
        Index(
            "uq_recalls_open",
            "person_id",
            unique=True,
            sqlite_where=sql("closed IS NULL"),
            postgresql_where=sql("closed IS NULL"),
        ),
        Index("ix_recalls_ideal", "ideal"),
    )


class DoseMarkRow(Base):
    """A dose that the patient marked as done; `wall` is its local time."""

    __tablename__ = "dose_marks"
    plan_id: Mapped[str] = mapped_column(ForeignKey("plans.id"), primary_key=True)
    wall: Mapped[str] = mapped_column(primary_key=True)
    at: Mapped[datetime]


class CalendarStateRow(Base):
    """What calendars were last told about one item, so that SEQUENCE only rises."""

    __tablename__ = "calendar_states"
    plan_id: Mapped[str] = mapped_column(ForeignKey("plans.id"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    document: Mapped[str]


class LeaseRow(Base):
    """Who holds a named duty (such as the tick), and until when."""

    __tablename__ = "leases"
    name: Mapped[str] = mapped_column(primary_key=True)
    owner: Mapped[str]
    until: Mapped[datetime]


class FactRow(Base):
    """One named fact of this installation, such as how far the demo's pretend clock is ahead."""

    __tablename__ = "facts"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]
