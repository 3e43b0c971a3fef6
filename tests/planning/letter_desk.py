"""A clinic that prints its letters, and letters whose files are ready."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, draft_wordings, the_pack
from sqlalchemy import text

from service.domain.build import build_plan
from service.domain.contact import Channel, Contact
from service.domain.message import Attachment, ComposedMessage, Envelope, MessageKind, Result
from service.domain.pack import ClinicChoices
from service.domain.window import DEFAULT, WINDOWS
from service.messages.address_page import render_address_page
from service.messages.read_plan import read_plan
from service.messages.sheet import render_sheet
from service.planning.aftercare import give
from service.services import Services
from service.transports.printed import PrintedTransport

BY = "Dina Marsh (dina)"
BY_LETTER: dict[str, object] = {"channels": (Channel.LETTER,)}


def a_printing_clinic(
    folder: Path, url: str = "sqlite://", window: str = DEFAULT, **changes: object
) -> tuple[Services, StoppedClock]:
    """A service whose letters are printed into `folder`, and its clock."""
    clock = StoppedClock()
    printer = PrintedTransport(folder / "letters", WINDOWS[window])
    services, _ = a_service(url, clock=clock, transports={Channel.LETTER: printer}, **changes)
    return services, clock


def a_letter(services: Services, person: str = "maud", **contact: object) -> str:
    """A person was given a plan by letter, and the letter's file is ready; returns the message's id."""
    a_person(services, person, **(BY_LETTER | contact))
    stored = give(services, person, a_visit(), by="nurse")
    return made_ready(services, person, stored.id)


def the_files(services: Services, contact: Contact) -> tuple[Attachment, Attachment]:
    """The address page of this person, and a sheet that is the same for everybody, since setting one takes a second."""
    printer = services.transports[Channel.LETTER]
    assert isinstance(printer, PrintedTransport)
    lines = [contact.guardian or contact.name, *contact.address]
    page = render_address_page(lines, services.clinic, printer.window, language="en", dated=services.clock.now().date())
    return (
        Attachment(name="address.pdf", media_type="application/pdf", data=page),
        Attachment(name="plan.pdf", media_type="application/pdf", data=a_sheet()),
    )


@cache
def a_sheet() -> bytes:
    """The sheet of an ordinary plan."""
    plan = build_plan(a_visit(), the_pack(), ClinicChoices())
    return render_sheet(read_plan(plan, draft_wordings(), "en", a_clinic()), link="https://larkfield.example/p/x")


def made_ready(services: Services, person: str, plan_id: str) -> str:
    """Make the letter with the plan ready, as the hand-over does."""
    now = services.clock.now()
    with services.open_reading() as work:
        contact = work.people.get(person).contact
        messages = [m for m in work.messages.of_person(person) if m.plan_id == plan_id]
    (message,) = [m for m in messages if m.planned.kind is MessageKind.PLAN_GIVEN]
    composed = ComposedMessage(
        channel=Channel.LETTER,
        to="\n".join([contact.guardian or contact.name, *contact.address]),
        language="en",
        wanted_language="en",
        subject="Your plan",
        text="",
        html=None,
        attachments=(),
        units=(),
        missing=(),
        pack="test",
    )
    files = the_files(services, contact)
    envelope = Envelope(
        key=message.id,
        message=ComposedMessage(
            **{name: getattr(composed, name) for name in composed.__slots__} | {"attachments": files}
        ),
        dated=message.planned.due,
        handed=now,
        last_useful=message.planned.last_useful,
        sender_name="",
        sender_address="",
    )
    outcome = services.transports[Channel.LETTER].send(envelope)
    assert outcome.result is Result.ACCEPTED, outcome.detail
    with services.open_work() as work:
        work._session.execute(
            text(
                "UPDATE messages SET state = 'sent', channel = 'letter', \"to\" = :to, language = 'en',"
                " reference = :reference, finished = due WHERE id = :id"
            ),
            {"to": composed.to, "reference": outcome.reference, "id": message.id},
        )
        work.commit()
    return message.id
