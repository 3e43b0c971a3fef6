"""A mail, a letter and a reprint made after the visit: drops that are finished are not asked for again."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, the_catalogs, the_pack
from pypdf import PdfReader

from service.delivery.attachments import sheet_of, sheet_units
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import ComposedMessage, Envelope, Outcome, Result
from service.domain.plan import Status
from service.domain.visit import Visit
from service.messages.wordings import Approvals, Wordings
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.services import Services

DONE = "These drops are finished. Do not start them again unless we tell you to."
STEPS = "drops in your RIGHT ear only"


@dataclass
class Taken:
    """A way out that takes everything."""

    connections: int = 1
    sent: list[ComposedMessage] = field(default_factory=list)

    def send(self, envelope: Envelope) -> Outcome:
        self.sent.append(envelope.message)
        return Outcome(result=Result.ACCEPTED, detail="taken")

    def close(self) -> None:
        pass


class Given:
    """Somebody who was given a plan on 25 November 2026, and what goes out or is printed some days later."""

    def __init__(self, visit: Visit, *channels: Channel) -> None:
        self.clock, self.out = StoppedClock(), Taken()
        self.services: Services = a_service(clock=self.clock)[0]
        self.services.transports = dict.fromkeys(Channel, self.out)
        a_person(self.services, channels=channels or (Channel.LETTER,))
        self.plan = give(self.services, "maud", visit, by="nurse").id

    def sent(self, days: int) -> ComposedMessage:
        """What first leaves after so many days without a worker."""
        self.clock.forward(days=days)
        send_due(self.services, "worker")
        return self.out.sent[0]

    def sheet(self, days: int = 0) -> str:
        """The sheet as it is printed so many days later."""
        self.clock.forward(days=days)
        with self.services.open_reading() as work:
            stored, contact = work.plans.get(self.plan), work.people.get("maud").contact
            pdf = sheet_of(self.services, work, stored, contact, "en", "https://larkfield.example/p/x")
        return words(pdf)


def words(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages)


def soon(days: int, at: time = time(9)) -> Visit:
    """Wax was left in the right ear, to be softened until the next visit."""
    on = date(2026, 11, 25) + timedelta(days=days)
    return a_visit(an_ear("wax-left"), next_appointment=on, next_appointment_time=at)


def test_a_letter_that_is_made_after_the_last_drops_says_that_they_are_finished() -> None:
    first, late = Given(soon(3)).sent(0), Given(soon(3)).sent(4)
    assert STEPS in first.text and DONE not in first.text and "What you need" in first.text
    for text in (late.text, late.html or ""):
        assert STEPS not in text and text.count(DONE) == 1
        before = text[text.index("What to do") : text.index(DONE)]
        assert "RIGHT ear" in before and "Olive oil" in before, "which drops are finished"
        assert "What you need" not in text, "nothing is to be bought"
    assert "page.drops-done" in late.units and "page.drops-done" not in first.units
    sheet = words(next(each.data for each in late.attachments if each.name == "plan.pdf"))
    assert STEPS not in sheet and DONE in sheet


def test_a_visit_that_is_past_is_not_said_to_be_booked() -> None:
    first, late = Given(soon(3)).sent(0), Given(soon(3)).sent(4)
    assert "You have a visit booked" in first.text and "You have a visit booked" not in late.text
    given = Given(soon(3, time(14, 30)))
    given.clock.at = datetime.fromisoformat("2026-11-28T14:29:00+00:00")  # London keeps UTC in November
    assert "You have a visit booked" in given.sheet()
    given.clock.at = datetime.fromisoformat("2026-11-28T14:30:00+00:00")
    assert "You have a visit booked" not in given.sheet()


def test_a_mail_says_it_where_a_course_is_over_before_the_mail_goes() -> None:
    given = Given(soon(20), Channel.EMAIL)
    book(given.services, given.plan, (date(2026, 11, 26), time(9)), "desk")  # the drops of one evening are left
    assert STEPS in given.sheet()
    given.clock.at = datetime.fromisoformat("2026-11-26T07:00:00+00:00")
    mail = given.sent(0)
    assert mail.channel is Channel.EMAIL
    assert STEPS not in mail.text and mail.text.count(DONE) == 1 and (mail.html or "").count(DONE) == 1


def test_the_sheet_of_the_visit_and_of_the_last_day_says_all_and_a_reprint_only_what_is_left() -> None:
    """Five days from the 25th; the last drops are on the 29th."""
    given = Given(a_visit(an_ear("wax-left"), an_ear("dry-skin")))
    first = given.sheet()
    assert STEPS in first and DONE not in first
    assert given.sheet(days=4) == first
    later = given.sheet(days=1)
    assert STEPS not in later and later.count(DONE) == 1
    assert "drops in your LEFT ear only" in later, "what runs goes on"
    assert "ml" in later, "and needs its bottle"


def test_without_approved_words_for_it_a_reprint_goes_in_the_source_language() -> None:
    """Not said is no choice: the old sheet with its drops lies on the table."""
    given = Given(a_visit(an_ear("wax-left")))
    with given.services.open_reading() as work:
        stored, contact = work.plans.get(given.plan), work.people.get("maud").contact
    first = sheet_units(given.services, stored, contact)
    given.clock.forward(days=9)
    later = sheet_units(given.services, stored, contact)
    assert later - first == {"page.drops-done"}
    catalogs = the_catalogs()
    entries = frozenset(
        (language, unit, digest)
        for language in ("en", "cy")
        for unit in the_pack().wording
        if (digest := catalogs.digest(language, unit)) and (language, unit) != ("cy", "page.drops-done")
    )
    wordings = Wordings(the_pack(), catalogs, Approvals(entries=entries), given.services.clinic.said())
    assert wordings.choose_language("cy", first).language == "cy"
    assert wordings.choose_language("cy", later).language == "en"


@pytest.mark.parametrize(
    ("status", "said", "steps"),
    [
        (Status.ON_HOLD, "This plan is on hold. Ask us before you go on with it: 020 7946 0123.", False),
        (Status.COMPLETED, "This plan has ended.", True),
        (Status.REVOKED, "This plan has ended.", True),
    ],
)
def test_a_sheet_says_first_that_its_plan_is_not_to_be_followed(status: Status, said: str, steps: bool) -> None:
    """Of a plan on hold it shows what the page shows; of an ended one the staff print what was given."""
    given = Given(a_visit(an_ear("wax-left")))
    assert said not in given.sheet()
    set_status(given.services, given.plan, status, "Dr Wren Halloway", "new pain")
    sheet = given.sheet()
    assert sheet.startswith(said)
    assert (STEPS in sheet) is steps and "When to get help" in sheet and "cotton" in sheet
