"""Does `tragus outbox` print the counts of the page, and tell a monitor when something is stuck?"""

from __future__ import annotations

import json
import re

import pytest
from builders import StoppedClock, a_contact, a_person, a_service, a_visit, an_ear

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Outcome, Result
from service.ops.outbox import outbox
from service.planning.aftercare import give
from service.planning.outgoing import switch_channel
from service.services import Services
from service.transports.port import RecordingTransport

FITTED = {Channel.TEXT: "smpp", Channel.EMAIL: "smtp"}


def a_busy_clinic() -> tuple[Services, StoppedClock]:
    """One message uncertain, one held, one due."""
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    unknown = RecordingTransport(lambda _: Outcome(result=Result.UNKNOWN, detail="+447700900123 did not answer"))
    services.transports = dict.fromkeys(Channel, unknown)
    give(services, a_person(services, "uncertain", channels=(Channel.TEXT,)), a_visit(an_ear("normal")), by="nurse")
    send_due(services, "worker")
    switch_channel(services, Channel.EMAIL, "Wren Halloway (wren)", off=True)
    give(services, a_person(services, "held", channels=(Channel.EMAIL,)), a_visit(an_ear("normal")), by="nurse")
    send_due(services, "worker")
    give(services, a_person(services, "due"), a_visit(an_ear("normal")), by="nurse")
    return services, clock


@pytest.mark.parametrize(("minutes", "late"), [(0, False), (5, False), (5.1, True), (600, True)])
def test_it_is_late_when_the_oldest_due_message_waited_longer_than_five_minutes(minutes: float, late: bool) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    give(services, a_person(services), a_visit(), by="nurse")
    clock.forward(minutes=minutes)
    assert outbox(services, FITTED)[1] is late
    assert json.loads(outbox(services, FITTED, as_json=True)[0])["late"] is late
    assert outbox(services, FITTED, late_minutes=1000)[1] is False


def test_what_does_not_get_through_is_counted_and_late_as_well() -> None:
    """An outage is late, too: its messages are never due for long, since each is looked at again and again."""
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    failing = RecordingTransport(lambda _: Outcome(result=Result.RETRY, detail="503"))
    services.transports = dict.fromkeys(Channel, failing)
    for number in range(7):  # after five failures in a row the transport is paused
        give(
            services, a_person(services, f"p{number}", channels=(Channel.TEXT,)), a_visit(an_ear("normal")), by="nurse"
        )
    send_due(services, "worker")
    said, late = outbox(services, FITTED)
    assert not late
    assert re.search(r"^due now +0$", said, re.M)
    assert re.search(r"^to be tried again +5  oldest since 2026-11-25T10:00:00\+00:00, 0 min$", said, re.M)
    assert re.search(
        r"^held: transport-paused +2  next \S+, oldest since 2026-11-25T10:00:00\+00:00, 0 min$", said, re.M
    )
    clock.forward(minutes=6)
    send_due(services, "worker")  # one is tried, and fails
    said, late = outbox(services, FITTED)
    assert late
    assert re.search(r"^held: transport-paused .* oldest since 2026-11-25T10:00:00\+00:00, 6 min LATE$", said, re.M)
    record = json.loads(outbox(services, FITTED, as_json=True)[0])
    assert record["late"] is True
    assert record["again"]["count"] + record["held"]["transport-paused"]["count"] == 7
    assert record["held"]["transport-paused"]["oldest"] == "2026-11-25T10:00:00+00:00"


def test_an_empty_outbox_is_not_late() -> None:
    services, _ = a_service()
    said, late = outbox(services, FITTED)
    assert late is False
    assert "due now" in said


def test_the_text_has_a_line_for_each_count_in_aligned_columns() -> None:
    services, clock = a_busy_clinic()
    clock.forward(minutes=12)
    said, _ = outbox(services, FITTED)
    assert re.search(r"^due now +1  oldest since 2026-11-25T10:00:00\+00:00, 12 min LATE$", said, re.M)
    assert re.search(r"^uncertain +1 ", said, re.M)
    assert re.search(r"^held: channel-off +1  next 2026-11-25T10:15:00\+00:00$", said, re.M)
    assert re.search(r"^transport: email +off  since ", said, re.M)
    assert re.search(r"^transport: letter +missing$", said, re.M)
    first = said.split("\n\n")[0].splitlines()
    assert len({re.match(r"\S.*? {2,}\d+(?=  |$)", line).end() for line in first}) == 1  # type: ignore[union-attr]


def test_json_gives_the_same_counts() -> None:
    services, clock = a_busy_clinic()
    clock.forward(minutes=12)
    record = json.loads(outbox(services, FITTED, as_json=True)[0])
    assert record["due"] == {"count": 1, "oldest": "2026-11-25T10:00:00+00:00", "waited_seconds": 720}
    assert record["held"]["channel-off"]["count"] == 1
    assert record["uncertain"] == 1
    assert record["in_hand"] == {"claimed": 0, "handing": 0}
    assert {"state": "uncertain", "reason": None, "day": 1, "week": 1} in record["ended"]
    assert record["transports"]["email"]["way"] == "off"
    assert record["transports"]["text"] == {
        "use": "smpp",
        "way": "failing",
        "failures": 1,
        "paused_until": None,
        "off_since": None,
    }


@pytest.mark.parametrize("as_json", [True, False])
def test_no_name_no_number_and_no_word_of_a_message_is_printed(as_json: bool) -> None:
    services, _ = a_busy_clinic()
    said, _ = outbox(services, FITTED, as_json=as_json)
    contact = a_contact()
    with services.open_reading() as work:
        words = {m.text for name in ("uncertain", "held", "due") for m in work.messages.of_person(name) if m.text}
    assert words
    for private in (*words, contact.name, contact.phone, contact.email, "7700", "Wren", "maud"):
        assert private not in said
