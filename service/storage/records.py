"""Stored records as values: a domain value with its id and the facts that only storage knows."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time

from service.domain.contact import Channel, Contact
from service.domain.course_moved import Followed
from service.domain.message import ComposedMessage, PlannedMessage, State
from service.domain.plan import Plan, Status
from service.domain.visit import Visit


@dataclass(frozen=True, slots=True, kw_only=True)
class Staff:
    """A member of staff. Roles: "clinician", "lead" (owns wording and settings), "desk",
    "wording". `approves`: the languages whose wording they may approve, "*" for every one."""

    id: str
    login: str
    name: str
    roles: frozenset[str]
    approves: frozenset[str] = frozenset()
    active: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """A patient: `history` holds the history codes that were true at the last visit."""

    id: str
    name: str
    born: date | None
    contact: Contact
    history: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVisit:
    """A visit with its place in the record."""

    id: str
    person_id: str
    visit: Visit
    by: str
    created: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPlan:
    """A plan as given: by whom and when (UTC), under which status. `followed`: how its softening courses stand since
    its appointment changed; `planning/as_booked.py` puts both together."""

    id: str
    person_id: str
    visit_id: str
    status: Status
    plan: Plan
    given: datetime
    by: str
    appointment: tuple[date, time] | None
    calendar_seed: str
    followed: tuple[Followed, ...] = ()

    @property
    def running(self) -> bool:
        """Whether the person follows it, or will again."""
        return self.status in (Status.ACTIVE, Status.ON_HOLD)

    @property
    def booked(self) -> tuple[str, str] | None:
        """The booked appointment as ISO date and time, as sentences take it."""
        if self.appointment is None:
            return None
        return self.appointment[0].isoformat(), self.appointment[1].isoformat("minutes")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredMessage:
    """A message with everything that happened to it so far; `MessageRow` says what each field means."""

    id: str
    plan_id: str
    person_id: str
    planned: PlannedMessage
    state: State
    look_at: datetime
    superseded: bool = False
    reason: str | None = None
    detail: str = ""
    lease_token: int = 0
    attempts: int = 0
    channel: Channel | None = None
    to: str | None = None
    language: str | None = None
    subject: str | None = None
    text: str | None = None
    html: str | None = None
    units: tuple[str, ...] = ()
    body_hash: str | None = None
    reference: str | None = None
    finished: datetime | None = None
    handed: datetime | None = None
    carrier: str | None = None
    rendering: int = 0
    key_since: datetime | None = None
    tried: frozenset[Channel] = frozenset()
    tried_as: str = ""
    attempts_elsewhere: int = 0
    repeat_at: datetime | None = None
    repeats: int = 0

    @property
    def far_key(self) -> str:
        """The key that the far side sees: the same at every attempt with the same words, another one for others."""
        return far_key(self.id, self.rendering)


def far_key(message_id: str, rendering: int) -> str:
    """The key that the far side sees of one text of a message."""
    return f"{message_id}-{rendering}" if rendering else message_id


def message_id_of(far_key: str) -> str:
    """The id of the message that the far side knows by this key."""
    return far_key.partition("-")[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What a decision about one message rests on, as it stands in the record at this moment. `contact` is the document
    as stored, so that two looks can be compared before it is read. `handed_lately`: how many messages that count for
    the daily cap the person was sent since the moment asked for. `link`: the id of the person's newest link that is
    not revoked, if there is one."""

    message_id: str
    person_id: str
    state: State
    lease_token: int
    superseded: bool
    tried: frozenset[Channel]
    contact: str
    plan: Status
    pack: str
    booked: tuple[date, time] | None
    dose_done: bool
    handed_lately: int = 0
    link: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Ending:
    """How the work on a message that was claimed (or begun) ends; PENDING gives it back, to be looked at at `look_at`.

    `tried` is a channel that refused it. `repeat_at`: an uncertain message is handed over once more by itself then.
    """

    message: StoredMessage
    state: State
    look_at: datetime | None = None
    reason: str | None = None
    detail: str = ""
    reference: str | None = None
    tried: Channel | None = None
    repeat_at: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Beginning:
    """A message whose hand-over is about to begin: the words as they will be stored, and the key they go under."""

    message: StoredMessage
    composed: ComposedMessage
    body_hash: str
    rendering: int
    key_since: datetime
    carrier: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Audit:
    """One line of the audit record."""

    at: datetime
    actor: str
    action: str
    subject: str
    detail: dict[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attention:
    """One thing that needs a person."""

    id: int
    at: datetime
    person_id: str
    message_id: str | None
    reason: str
    detail: str
    done: datetime | None = None
    done_by: str | None = None
