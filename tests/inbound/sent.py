"""A message that has left, and the sample mails about it."""

from __future__ import annotations

from pathlib import Path

from builders import SECRET, StoppedClock, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import State
from service.links import BOUNCE, envelope_token
from service.planning.aftercare import give
from service.services import Services
from service.storage.records import StoredMessage

MAILS = Path(__file__).parents[1] / "data" / "mail"
MAIL_NAMES = sorted(path.stem for path in MAILS.glob("*.eml"))


class World:
    """A service whose one patient was sent the plan by one channel."""

    def __init__(self, channel: Channel, url: str = "sqlite://", **contact: object) -> None:
        self.clock = StoppedClock()
        self.services, self.recorder = a_service(url, clock=self.clock)
        self.person = a_person(self.services, **({"channels": (channel,)} | contact))
        give(self.services, self.person, a_visit(an_ear("wax-left")), by="nurse")
        self.send()
        (self.message_id,) = [m.id for m in self.messages() if m.state is State.SENT]

    def send(self) -> None:
        send_due(self.services, "worker")

    def messages(self) -> list[StoredMessage]:
        with self.services.open_reading() as work:
            return work.messages.of_person(self.person)

    @property
    def message(self) -> StoredMessage:
        with self.services.open_reading() as work:
            return work.messages.get(self.message_id)

    def set(self, **columns: object) -> None:
        """Put the message into a state that takes a crash or a far side to reach."""
        from sqlalchemy import update

        from service.storage.tables import MessageRow

        with self.services.open_work() as work:
            work._session.execute(update(MessageRow).where(MessageRow.id == self.message_id).values(**columns))
            work.commit()

    def reasons(self) -> list[str]:
        return attention(self.services)

    def mail(self, name: str) -> bytes:
        return sample(name, self.message_id)


def sample(name: str, key: str) -> bytes:
    text = (MAILS / f"{name}.eml").read_text(encoding="utf-8")
    return text.replace("TOKEN", f"{BOUNCE}{envelope_token(SECRET, key)}").replace("KEY", key).encode()


def attention(services: Services) -> list[str]:
    with services.open_reading() as work:
        return [entry.reason for entry in work.ledger.attention()]


def strangers(services: Services) -> list[str]:
    with services.open_reading() as work:
        return [stored.meaning for stored in work.inbound.strangers()]
