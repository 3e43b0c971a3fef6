"""A calendar's yes, no or perhaps to an appointment: acted on where it surely fits, else read by a person.

Sources: RFC 5546 3.2.3 (REPLY), 2.1.4 and 2.1.5 (SEQUENCE and DTSTAMP), RFC 6047 2.4 and 2.5 (the mail around it).
"""

from __future__ import annotations

from base64 import encodebytes
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from quopri import encodestring
from uuid import UUID

import pytest
from builders import StoppedClock, a_person, a_service, a_visit
from hypothesis import given as holds_for
from hypothesis import strategies as st
from inbound.sent import strangers

from service.calendars import LARGEST_REPLY, read_reply
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import RecallState
from service.inbound.mail import Sorted, take_mail
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import STANDS
from service.planning.calendar import APPOINTMENT
from service.planning.missed import look_for_missed

REPLIES = Path(__file__).parents[1] / "data" / "calendar_replies"
SHAPES = sorted(path.stem for path in REPLIES.glob("*.ics"))
FITTING = [shape for shape in SHAPES if shape != "delegate"]
FIRST = (date(2026, 12, 20), time(10, 30))
LATER = (date(2026, 12, 27), time(14, 0))
STAMP = "20261125T110000Z"
UID = "6f1c0f0e-0000-4000-8000-000000000001"


def reply(shape: str = "short", **values: object) -> bytes:
    """The answer with its values, lines ending in CRLF."""
    text = (REPLIES / f"{shape}.ics").read_text(encoding="utf-8")
    for name, value in (
        {"UID": UID, "STAMP": STAMP, "PARTSTAT": "ACCEPTED", "SEQUENCE": 0, "COMMENT": ""} | values
    ).items():
        text = text.replace(f"${name}", str(value))
    return text.replace("\n", "\r\n").encode()


def a_mail(
    calendar: bytes,
    *,
    sender: str = "maud@example.org",
    text: str = "Maud Ellery has answered this invitation.",
    encoding: str = "7bit",
    number: int = 1,
    newline: bytes = b"\r\n",
) -> bytes:
    """The answer in a mail."""
    body = {
        "7bit": lambda: calendar,
        "base64": lambda: encodebytes(calendar),
        "quoted-printable": lambda: encodestring(calendar),
    }[encoding]()
    head = (
        f"From: Maud Ellery <{sender}>\nTo: desk@larkfield.example\nSubject: Re: Appointment\n"
        f"Message-ID: <cal-{number}@example.org>\nMIME-Version: 1.0\n"
        'Content-Type: multipart/alternative; boundary="cal"\n\n--cal\nContent-Type: text/plain; charset=utf-8\n\n'
        f'{text}\n\n--cal\nContent-Type: text/calendar; charset="UTF-8"; method=REPLY\n'
        f"Content-Transfer-Encoding: {encoding}\n\n"
    )
    whole = head.encode() + body + b"\n--cal--\n"
    return whole.replace(b"\r\n", b"\n").replace(b"\n", newline)


class Booked:
    """A person who was sent the invitation to one appointment by mail."""

    def __init__(self) -> None:
        self.clock = StoppedClock()
        self.services, self.recorder = a_service(clock=self.clock)
        a_person(self.services, channels=(Channel.EMAIL,))
        visit = a_visit(next_appointment=FIRST[0], next_appointment_time=FIRST[1])
        self.plan = give(self.services, "maud", visit, by="nurse").id
        send_due(self.services, "worker")
        self.clock.forward(hours=2)

    @property
    def uid(self) -> UUID:
        with self.services.open_reading() as work:
            return work.plans.calendar_states(self.plan)[APPOINTMENT].uid

    def take(self, calendar: bytes, **mail: object) -> Sorted:
        return take_mail(self.services, a_mail(calendar, **mail))  # type: ignore[arg-type]

    def answers(self, partstat: str, shape: str = "short", number: int = 1, **values: object) -> Sorted:
        return self.take(reply(shape, UID=self.uid, PARTSTAT=partstat, **values), number=number)

    def attention(self) -> dict[str, str]:
        with self.services.open_reading() as work:
            return {entry.reason: entry.detail for entry in work.ledger.attention()}

    def notes(self) -> list[str]:
        with self.services.open_reading() as work:
            return [line.action for line in work.ledger.history(self.plan) if line.action.startswith("calendar-")]

    def appointment(self) -> tuple[date, time] | None:
        with self.services.open_reading() as work:
            return work.plans.get(self.plan).appointment

    def waiting(self, kind: MessageKind) -> list[str]:
        with self.services.open_reading() as work:
            found = [m for m in work.messages.of_person("maud") if m.planned.kind is kind]
        return [m.planned.key for m in found if m.state is State.PENDING and not m.superseded]

    def recall(self) -> RecallState:
        with self.services.open_reading() as work:
            found = work.recalls.newest_of("maud")
        assert found is not None
        return found.state

    def untouched(self) -> bool:
        return self.appointment() == FIRST and not self.notes()


# -- reading ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("ends", [b"\r\n", b"\n"])
def test_every_shape_is_read_alike(shape: str, ends: bytes) -> None:
    found = read_reply(reply(shape, PARTSTAT="DECLINED", SEQUENCE=0, COMMENT="Sorry").replace(b"\r\n", ends))
    assert (found.uid, found.sequence, found.partstat) == (UID, 0, "DECLINED")
    assert found.attendee.lower() == "maud@example.org"
    assert found.stamp == datetime(2026, 11, 25, 11, 0, tzinfo=UTC)
    assert found.comment == ("Sorry" if shape == "comment" else "")


def test_a_comment_that_was_folded_inside_a_letter_comes_back_whole() -> None:  # RFC 5545 3.1
    whole = reply("comment", COMMENT="Byddaf yno\\, diolch — â’r plant\\; dim problem")
    at = whole.index("â".encode()) + 1
    assert read_reply(whole[:at] + b"\r\n " + whole[at:]).comment == "Byddaf yno, diolch — â’r plant; dim problem"


GARBAGE = {
    "nothing": b"",
    "no calendar": b"BEGIN:VCARD\r\nFN:Maud\r\nEND:VCARD\r\n",
    "words": b"I will come",
    "octets": bytes(range(256)),
    "cut short": reply()[:150],
    "too large": reply() + b"X-PAD:" + b"x" * LARGEST_REPLY,
    "another method": reply().replace(b"METHOD:REPLY", b"METHOD:COUNTER"),
    "no method": reply().replace(b"METHOD:REPLY\r\n", b""),
    "two methods": reply().replace(b"METHOD:REPLY\r\n", b"METHOD:REPLY\r\nMETHOD:REPLY\r\n"),
    "two events": reply().replace(
        b"END:VCALENDAR", reply().partition(b"METHOD:REPLY\r\n")[2].partition(b"END:VCALENDAR")[0] + b"END:VCALENDAR"
    ),
    "a task": reply().replace(b"VEVENT", b"VTODO"),
    "no event": reply().partition(b"BEGIN:VEVENT")[0] + b"END:VCALENDAR\r\n",
    "one day of a series": reply().replace(b"SEQUENCE", b"RECURRENCE-ID:20261220T103000Z\r\nSEQUENCE"),
    "no uid": reply().replace(b"UID:", b"X-UID:"),
    "two uids": reply().replace(b"UID:", b"UID:other\r\nUID:"),
    "no attendee": reply().replace(b"ATTENDEE", b"X-ATTENDEE"),
    "two attendees": reply().replace(b"ORGANIZER", b"ATTENDEE:mailto:rowan@example.net\r\nORGANIZER"),
    "no address": reply().replace(b"mailto:maud@example.org", b"urn:uuid:1"),
    "no stamp": reply().replace(b"DTSTAMP", b"X-DTSTAMP"),
    "a stamp in no zone": reply(STAMP="20261125T110000"),
    "a stamp that is none": reply(STAMP="yesterday"),
    "a sequence in words": reply(SEQUENCE="two"),
    "a sequence below nothing": reply(SEQUENCE="-1"),
}


@pytest.mark.parametrize("name", sorted(GARBAGE))
def test_what_does_not_fit_is_refused_with_a_reason(name: str) -> None:
    with pytest.raises(ValueError, match=r"\w+ \w+"):
        read_reply(GARBAGE[name])


@holds_for(st.integers(0, 400), st.integers(0, 80), st.binary(max_size=40), st.sampled_from(SHAPES))
def test_a_damaged_answer_is_read_or_refused_and_never_anything_else(
    at: int, length: int, put: bytes, shape: str
) -> None:
    whole = reply(shape)
    damaged = whole[:at] + put + whole[at + length :]
    try:
        found = read_reply(damaged)
    except ValueError:
        return
    assert found.uid and "@" in found.attendee and found.sequence >= 0


# -- acting -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", FITTING)
@pytest.mark.parametrize("encoding", ["7bit", "base64", "quoted-printable"])
def test_yes_is_noted_and_asks_nobody(shape: str, encoding: str) -> None:
    world = Booked()
    assert world.take(reply(shape, UID=world.uid), encoding=encoding) is Sorted.CALENDAR_REPLY
    assert world.notes() == ["calendar-accepted"]
    assert (world.attention(), world.appointment(), world.recall()) == ({}, FIRST, RecallState.BOOKED)


def test_perhaps_is_for_a_person_and_changes_nothing_else() -> None:
    world = Booked()
    world.answers("TENTATIVE")
    assert "2026-12-20 at 10:30" in world.attention()["calendar-tentative"]
    assert (world.appointment(), world.recall()) == (FIRST, RecallState.BOOKED)


@pytest.mark.parametrize("then", ["ACCEPTED", "DECLINED", "moved", "cancelled", "passed"])
def test_what_follows_perhaps_takes_it_off_the_list(then: str) -> None:
    world = Booked()
    world.answers("TENTATIVE", STAMP="20261125T110000Z")
    assert "calendar-tentative" in world.attention()
    if then in ("moved", "cancelled"):
        book(world.services, world.plan, LATER if then == "moved" else None, "desk")
    elif then == "passed":
        world.clock.forward(days=40)
        assert look_for_missed(world.services) == 1
    else:
        world.answers(then, number=2, STAMP="20261125T113000Z")
    assert "calendar-tentative" not in world.attention()


@pytest.mark.parametrize("newline", [b"\r\n", b"\n"])
def test_no_cancels_the_appointment_its_reminders_and_its_drops_and_says_which_slot_is_free(newline: bytes) -> None:
    world = Booked()
    assert world.waiting(MessageKind.APPOINTMENT) and world.waiting(MessageKind.DOSE)
    world.take(reply("whole", UID=world.uid, PARTSTAT="DECLINED"), newline=newline)
    assert world.appointment() is None
    assert not world.waiting(MessageKind.APPOINTMENT) and not world.waiting(MessageKind.DOSE)
    assert world.attention() == {"calendar-declined": "declined by calendar: free the slot 2026-12-20 at 10:30"}
    assert world.recall() is RecallState.DUE
    send_due(world.services, "worker")
    assert "your appointment is cancelled" in world.recorder.sent[-1].message.text  # so that a slip of the finger shows


def test_the_same_no_again_from_whatever_device_is_harmless() -> None:
    world = Booked()
    uid = world.uid
    world.answers("DECLINED")
    with world.services.open_work() as work:
        (entry,) = work.ledger.attention()
        work.ledger.attention_done(entry.id, "desk", world.clock.now())
        work.commit()
    for number, stamp in enumerate((STAMP, "20261125T110500Z", "20261125T100000Z"), 2):
        world.take(reply(UID=uid, PARTSTAT="DECLINED", STAMP=stamp), number=number)
    assert (world.attention(), world.notes()) == ({}, ["calendar-declined"])
    assert len(world.waiting(MessageKind.BOOKING)) == 1


def test_a_later_answer_replaces_an_earlier_one_and_an_earlier_one_that_comes_late_does_nothing() -> None:
    world = Booked()  # RFC 5546 2.1.5: of one SEQUENCE the latest DTSTAMP counts
    world.answers("ACCEPTED", STAMP="20261125T110500Z")
    world.answers("DECLINED", number=2, STAMP="20261125T110000Z")
    assert (world.appointment(), world.attention()) == (FIRST, {})
    world.answers("DECLINED", number=3, STAMP="20261125T111000Z")
    assert world.appointment() is None


def test_an_answer_to_an_earlier_time_is_read_by_a_person() -> None:
    world = Booked()
    uid = world.uid
    book(world.services, world.plan, LATER, "desk")
    world.take(reply(UID=uid, PARTSTAT="DECLINED", SEQUENCE=0))
    assert world.appointment() == LATER
    assert set(world.attention()) == {"calendar-reply"}
    world.take(reply(UID=uid, PARTSTAT="DECLINED", SEQUENCE=1), number=2)
    assert world.appointment() is None


@pytest.mark.parametrize("partstat", ["DELEGATED", "NEEDS-ACTION", "X-PERHAPS", "COMPLETED"])
def test_any_other_answer_is_read_by_a_person(partstat: str) -> None:
    world = Booked()
    world.answers(partstat, "delegate")
    assert world.untouched()
    assert set(world.attention()) == {"calendar-reply"}


def test_only_the_persons_own_address_answers_for_them() -> None:
    world = Booked()
    world.take(reply(UID=world.uid, PARTSTAT="DECLINED"), sender="rowan@example.net")
    assert world.untouched()
    assert strangers(world.services) == ["calendar-reply"]
    forged = reply(UID=world.uid, PARTSTAT="DECLINED").replace(b"maud@example.org", b"rowan@example.net")
    world.take(forged, number=2)
    assert world.untouched()
    assert set(world.attention()) == {"calendar-reply"}


def test_another_uid_is_not_this_appointment() -> None:
    world = Booked()
    world.take(reply(UID=UID, PARTSTAT="DECLINED"))
    assert world.untouched()
    assert set(world.attention()) == {"calendar-reply"}


def test_a_no_to_an_appointment_that_stands_though_its_plan_was_withdrawn_frees_the_slot() -> None:
    world = Booked()
    set_status(world.services, world.plan, Status.REVOKED, "nurse", "x")
    assert STANDS in world.attention()
    world.answers("DECLINED")
    assert world.appointment() is None
    assert "calendar-declined" in world.attention() and STANDS not in world.attention()


def test_an_answer_after_the_day_is_read_by_a_person() -> None:
    late = Booked()
    late.clock.forward(days=30)
    late.answers("DECLINED")
    assert late.appointment() == FIRST and "calendar-reply" in late.attention()


@pytest.mark.parametrize("name", sorted(set(GARBAGE) - {"too large", "octets"}))
def test_what_cannot_be_read_is_left_to_a_person(name: str) -> None:
    world = Booked()
    assert world.take(GARBAGE[name]) is Sorted.CALENDAR_REPLY
    assert world.untouched()
    assert set(world.attention()) == {"calendar-reply"}


# -- words ------------------------------------------------------------------------------------------------------------


def test_a_comment_goes_to_a_person_whatever_the_answer_is() -> None:
    world = Booked()
    world.answers("ACCEPTED", "comment", COMMENT="Is there parking?")
    assert world.notes() == ["calendar-accepted"]
    assert world.attention() == {"reply": "Is there parking?"}


@pytest.mark.parametrize("partstat", ["ACCEPTED", "DECLINED", "DELEGATED"])
def test_a_comment_with_a_warning_word_warns_whether_the_answer_fits_or_not(partstat: str) -> None:
    world = Booked()
    world.answers(partstat, "comment", COMMENT="my ear is bleeding")
    assert "my ear is bleeding" in world.attention()["reply-warning"]
    send_due(world.services, "worker")
    assert any("999" in each.message.text for each in world.recorder.sent[1:]), "answered at once with how to get help"


def test_a_comment_that_says_stop_stops_nothing_by_itself() -> None:
    world = Booked()
    world.answers("ACCEPTED", "comment", COMMENT="Stop")
    with world.services.open_reading() as work:
        assert not work.people.get("maud").contact.stopped
    assert world.attention() == {"reply": "Stop"}


@pytest.mark.parametrize(
    ("text", "asks"),
    [
        ("", False),
        ("Maud Ellery has accepted this invitation.", False),
        ("maud@example.org has accepted", False),
        ("I will be there, but my hearing is worse", True),
        ("Maud Ellery has accepted.\n\nmy ear is bleeding", True),
    ],
)
def test_words_typed_into_the_mail_are_not_lost(text: str, asks: bool) -> None:
    world = Booked()
    world.take(reply(UID=world.uid), text=text)
    assert world.notes() == ["calendar-accepted"]
    assert bool(world.attention()) is asks


def test_the_mail_stays_readable_in_the_record() -> None:
    world = Booked()
    world.answers("ACCEPTED")
    with world.services.open_reading() as work:
        (kept,) = work.inbound.of_person("maud", work.people.get("maud").contact)
    assert (kept.meaning, kept.handled is not None) == ("calendar-answered", True)


def test_taking_the_same_mail_twice_after_a_crash_in_between_is_harmless(monkeypatch: pytest.MonkeyPatch) -> None:
    world = Booked()
    mail = a_mail(reply(UID=world.uid, PARTSTAT="DECLINED"))

    def crash(*_: object, **__: object) -> None:
        raise RuntimeError("the machine stopped")

    with monkeypatch.context() as broken:
        broken.setattr("service.inbound.mail.take_inbound", crash)
        with pytest.raises(RuntimeError):
            take_mail(world.services, mail)
    world.clock.forward(minutes=1)
    assert take_mail(world.services, mail) is Sorted.CALENDAR_REPLY
    assert (world.notes(), world.appointment()) == (["calendar-declined"], None)
    assert list(world.attention()) == ["calendar-declined"]


def test_the_day_of_the_appointment_is_told_by_the_clinics_clock() -> None:
    world = Booked()
    world.clock.at = datetime.combine(*FIRST, UTC) - timedelta(minutes=1)
    world.answers("DECLINED")
    assert world.appointment() is None
