"""A person is told of their appointment at once, and their calendar with them (iTIP: RFC 5546, iMIP: RFC 6047)."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from email import message_from_bytes, policy
from itertools import permutations

import icalendar
import pytest
import recurring_ical_events
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from ical_reader import Reader

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Attachment, Envelope, MessageKind, State
from service.domain.plan import Status
from service.domain.sending import Reason
from service.links import page_url
from service.planning.aftercare import give, live_link, set_status
from service.planning.appointments import book
from service.planning.attention import UNTOLD
from service.planning.calendar import feed, invitation
from service.planning.preferences import change_rhythm
from service.storage.records import StoredMessage
from service.transports.mail import build_mail

FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))
Appointment = tuple[date, time] | None


class World:
    """A person with a plan, and what was handed over to reach them."""

    def __init__(self, appointment: Appointment = None, **contact: object) -> None:
        self.clock = StoppedClock()
        self.services, self.recorder = a_service(clock=self.clock)
        a_person(self.services, **({"channels": (Channel.EMAIL,)} | contact))
        on, at = appointment or (None, None)
        visit = a_visit(an_ear("wax-left"), next_appointment=on, next_appointment_time=at)
        self.plan = give(self.services, "maud", visit, by="nurse").id

    def send(self) -> list[Envelope]:
        """What goes now."""
        before = len(self.recorder.sent)
        send_due(self.services, "worker")
        return self.recorder.sent[before:]

    def book(self, appointment: Appointment) -> None:
        self.clock.forward(minutes=10)
        book(self.services, self.plan, appointment, "desk")

    def news(self, *, waiting: bool = True) -> list[StoredMessage]:
        with self.services.open_reading() as work:
            found = [m for m in work.messages.of_person("maud") if m.planned.kind is MessageKind.BOOKING]
        return [m for m in found if m.state is State.PENDING and not m.superseded] if waiting else found

    def told(self) -> list[str]:
        return [m.planned.key for m in self.news()]

    def attention(self) -> dict[str, str]:
        with self.services.open_reading() as work:
            return {entry.reason: entry.detail for entry in work.ledger.attention()}

    def link(self) -> str:
        with self.services.open_work() as work:
            token = live_link(self.services, work, "maud", self.clock.now())
            work.commit()
        return page_url(self.services.clinic.base_url, token)

    def feed(self) -> bytes:
        link = self.link()
        with self.services.open_work() as work:
            data = feed(self.services, work, work.plans.get(self.plan), work.people.get("maud").contact, link)
            work.commit()
        assert data is not None
        return data


def itip(envelope: Envelope) -> Attachment:
    (found,) = [each for each in envelope.message.attachments if each.method is not None]
    return found


def event_of(data: bytes) -> icalendar.Event:
    (event,) = [e for e in icalendar.Calendar.from_ical(data).walk("VEVENT") if e["TRANSP"] == "OPAQUE"]
    return event


# -- what is said -----------------------------------------------------------------------------------------------------


def test_booked_moved_and_cancelled_are_each_told_at_once_in_their_own_words() -> None:
    world = World()
    world.send()
    said = []
    for appointment in (FIRST, LATER, None):
        world.book(appointment)
        (envelope,) = world.send()
        said.append(envelope.message.text)
    assert "your appointment is booked for Sunday, 20 December 2026 at 10:30" in said[0]
    assert "your appointment has moved. It is now on Sunday, 27 December 2026 at 2:00" in said[1]
    assert "your appointment is cancelled" in said[2] and "2026" not in said[2]


def test_a_guardian_is_told_whose_appointment_it_is_and_by_text_as_well() -> None:
    world = World(channels=(Channel.TEXT,), guardian="Rowan Ellery", given_name="Tom")
    world.send()
    world.book(FIRST)
    (envelope,) = world.send()
    assert "an appointment for Tom is booked for" in envelope.message.text
    assert envelope.message.channel is Channel.TEXT and not envelope.message.attachments


def test_a_plan_that_is_given_with_an_appointment_brings_the_invitation_along_in_its_one_mail() -> None:
    world = World(FIRST)
    (envelope,) = world.send()
    assert [(each.name, each.method) for each in envelope.message.attachments] == [
        ("plan.ics", None),
        ("appointment.ics", "REQUEST"),
    ]
    assert world.news(waiting=False) == []


def test_a_plan_without_an_appointment_invites_to_nothing() -> None:
    (envelope,) = World().send()
    assert [each.method for each in envelope.message.attachments] == [None]


@pytest.mark.parametrize("told_at_the_visit", [None, FIRST])
def test_a_change_that_is_taken_back_before_anything_left_is_no_news(told_at_the_visit: Appointment) -> None:
    world = World(told_at_the_visit)
    world.book(LATER)
    assert len(world.told()) == 1
    world.book(told_at_the_visit)
    assert world.told() == []
    world.send()
    assert not any("appointment" in each.message.subject for each in world.recorder.sent)
    assert {m.reason for m in world.news(waiting=False)} == {
        Reason.APPOINTMENT_MOVED if told_at_the_visit else Reason.APPOINTMENT_CANCELLED
    }


def test_only_the_last_of_several_changes_is_told_and_as_what_it_is_to_the_person() -> None:
    world = World()
    world.send()
    world.book(FIRST)
    world.book(LATER)
    assert world.told() == ["booking/1/booked/2026-12-27T14:00"]  # the first was never told: it is no move to them
    (envelope,) = world.send()
    assert "is booked for Sunday, 27 December" in envelope.message.text
    world.book(FIRST)
    world.book(LATER)
    assert (world.told(), world.send()) == ([], [])


def test_a_cancellation_that_overtakes_an_untold_booking_and_a_booking_that_overtakes_an_untold_cancellation() -> None:
    world = World(FIRST)
    world.send()
    world.book(None)
    world.book(LATER)
    assert [key.split("/")[2] for key in world.told()] == ["moved"]
    world.book(None)
    assert [key.split("/")[2] for key in world.told()] == ["cancelled"]


def test_a_new_booking_after_the_old_day_has_passed_is_a_booking() -> None:
    world = World(FIRST)
    world.send()
    world.clock.at = datetime(2027, 1, 4, 10, 0, tzinfo=UTC)
    world.book((date(2027, 1, 20), time(9, 0)))
    assert [key.split("/")[2] for key in world.told()] == ["booked"]


def test_quiet_hours_hold_the_news_and_other_changes_of_the_person_leave_it_alone() -> None:
    world = World()
    world.send()
    world.clock.at = datetime(2026, 11, 25, 23, 0, tzinfo=UTC)
    world.book(FIRST)
    assert world.send() == []
    change_rhythm(
        world.services, "maud", {"morning": time(9), "midday": time(13), "evening": time(18), "bedtime": time(21)}
    )
    assert len(world.told()) == 1
    world.clock.at = datetime(2026, 11, 26, 9, 0, tzinfo=UTC)
    assert any("is booked for" in each.message.text for each in world.send())


def test_nobody_gets_a_letter_that_comes_after_the_day_but_a_person_tells_them() -> None:
    world = World(channels=(Channel.LETTER,))
    world.book((date(2026, 11, 27), time(9, 0)))
    assert world.told() == []
    assert "2026-11-27 at 09:00" in world.attention()[UNTOLD]
    world.book(FIRST)
    assert len(world.told()) == 1


# -- what calendars are told ------------------------------------------------------------------------------------------


def test_a_request_has_what_rfc_5546_3_2_2_asks_for() -> None:
    world = World()
    world.send()
    world.book(FIRST)
    (envelope,) = world.send()
    data = itip(envelope).data
    calendar = icalendar.Calendar.from_ical(data)
    assert str(calendar["METHOD"]) == itip(envelope).method == "REQUEST"
    event = event_of(data)
    assert str(event["ORGANIZER"]) == f"mailto:{envelope.sender_address}"  # RFC 6047 2.3: the sender is the organizer
    attendee = event["ATTENDEE"]
    assert (str(attendee), dict(attendee.params)) == (
        "mailto:maud@example.org",
        {"PARTSTAT": "NEEDS-ACTION", "RSVP": "TRUE"},
    )
    assert {"UID", "DTSTAMP", "DTSTART", "SUMMARY", "SEQUENCE"} <= event.keys()
    assert (event["STATUS"], event["SEQUENCE"]) == ("CONFIRMED", 0)
    assert str(event["SUMMARY"]) == "Appointment: Larkfield Ear Care"  # neither ear nor condition
    (alarm,) = event.walk("VALARM")
    assert alarm["TRIGGER"].dt == timedelta(days=-1)
    assert "RRULE" not in event and "RECURRENCE-ID" not in event


def test_a_cancel_has_what_rfc_5546_3_2_5_asks_for() -> None:
    world = World(FIRST)
    world.send()
    world.book(None)
    (envelope,) = world.send()
    assert itip(envelope).method == "CANCEL"
    event = event_of(itip(envelope).data)
    assert (event["STATUS"], event["SEQUENCE"]) == ("CANCELLED", 1)
    assert {"UID", "DTSTAMP", "ORGANIZER", "ATTENDEE"} <= event.keys()
    assert not event.walk("VALARM")


def through_three_changes() -> tuple[World, list[bytes]]:
    world = World(FIRST)
    found = [itip(world.send()[0]).data]
    for appointment in (LATER, None, FIRST):
        world.book(appointment)
        found.append(itip(world.send()[0]).data)
    return world, found


def test_one_appointment_keeps_its_uid_and_each_change_raises_the_sequence_as_in_the_feed(read_by_node: Reader) -> None:
    world, files = through_three_changes()
    events = [event_of(data) for data in files]
    assert [event["SEQUENCE"] for event in events] == [0, 1, 2, 3]
    assert len({str(event["UID"]) for event in events}) == 1
    assert [event["STATUS"] for event in events] == ["CONFIRMED", "CONFIRMED", "CANCELLED", "CONFIRMED"]
    fed = event_of(world.feed())
    assert (fed["UID"], fed["SEQUENCE"], fed["DTSTART"]) == tuple(events[-1][n] for n in ("UID", "SEQUENCE", "DTSTART"))
    by_node = [event for calendar in read_by_node(*files) for event in calendar["events"]]
    assert [(event["sequence"], event["status"]) for event in by_node] == [
        (event["SEQUENCE"], event["STATUS"]) for event in events
    ]
    assert [event["starts"] for event in by_node[:2]] == [["2026-12-20T10:30:00Z"], ["2026-12-27T14:00:00Z"]]
    assert by_node[0]["organizerName"] == "Larkfield Ear Care" and by_node[2]["triggers"] == []
    (found,) = recurring_ical_events.of(icalendar.Calendar.from_ical(files[1])).between((2026, 12, 1), (2027, 1, 1))
    assert found.start.astimezone(UTC) == datetime(2026, 12, 27, 14, 0, tzinfo=UTC)


def test_whatever_order_they_arrive_in_the_newest_wins() -> None:
    """A receiver by the letter of RFC 5546 2.1.5: highest SEQUENCE, then latest DTSTAMP."""
    _, files = through_three_changes()
    for order in permutations(files):
        kept: icalendar.Event | None = None
        for data in order:
            event = event_of(data)
            rank = (event["SEQUENCE"], event["DTSTAMP"].dt)
            if kept is None or rank > (kept["SEQUENCE"], kept["DTSTAMP"].dt):
                kept = event
        assert kept is not None
        assert (kept["STATUS"], kept["DTSTART"].dt.date()) == ("CONFIRMED", FIRST[0])


def test_the_same_invitation_again_is_the_same_octets() -> None:
    world = World()
    world.send()
    world.book(FIRST)
    (envelope,) = world.send()
    world.clock.forward(hours=3)
    world.feed()
    link = world.link()
    with world.services.open_work() as work:
        stored, contact = work.plans.get(world.plan), work.people.get("maud").contact
        again = invitation(world.services, work, stored, contact, link, "maud@example.org")
        work.commit()
    assert again is not None
    assert (again[0], again[1]) == (itip(envelope).data, "REQUEST")


def test_the_mail_offers_the_invitation_last_and_a_copy_beside_it() -> None:  # RFC 6047 2.4; RFC 2046 5.1.4
    world = World()
    world.send()
    world.book(FIRST)
    (envelope,) = world.send()
    mail = message_from_bytes(build_mail(envelope).as_bytes(), policy=policy.default)
    alternatives = next(part for part in mail.walk() if part.get_content_type() == "multipart/alternative")
    kinds = [part.get_content_type() for part in alternatives.iter_parts()]  # type: ignore[attr-defined]
    assert kinds == ["text/plain", "text/html", "text/calendar"]
    calendar = [part for part in mail.walk() if part.get_content_type() == "text/calendar"]
    assert [part.get_param("method") for part in calendar] == ["REQUEST"]  # RFC 5545 8.1, and acted on once
    (copy,) = [part for part in mail.walk() if part.get_content_disposition() == "attachment"]
    assert (copy.get_filename(), copy.get_content_type()) == ("appointment.ics", "application/ics")
    written = icalendar.Calendar.from_ical(calendar[0].get_content())
    assert event_of(copy.get_payload(decode=True))["UID"] == event_of(written.to_ical())["UID"]


def test_a_plan_on_hold_keeps_its_appointment_in_the_calendar_and_a_move_is_told() -> None:
    world = World(FIRST)
    before = event_of(world.feed())
    set_status(world.services, world.plan, Status.ON_HOLD, "nurse", "x")
    assert event_of(world.feed()) == before
    world.book(LATER)
    assert any("has moved" in each.message.text for each in world.send())
