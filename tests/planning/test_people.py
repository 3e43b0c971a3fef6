"""Adding and correcting a person, links, leaving."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from builders import a_contact, a_person, a_service, a_visit

from service.domain.contact import Channel, Rhythm
from service.domain.message import MessageKind
from service.errors import ContactError, NotFoundError
from service.planning.aftercare import give
from service.planning.people import add_person, correct_person, mark_left, renew_link, revoke_links


def test_a_person_in_an_unknown_zone_is_not_added() -> None:
    services, _ = a_service()
    with pytest.raises(ContactError):
        add_person(services, "Maud Ellery", None, a_contact(zone="Nowhere"), "desk")
    with services.open_reading() as work:
        assert work.people.search("") == []


def test_a_correction_keeps_times_pause_and_stop_that_the_person_chose() -> None:
    services, _ = a_service()
    chosen = {
        "rhythm": Rhythm(morning=Rhythm().morning.replace(hour=9)),
        "paused_until": date(2026, 12, 1),
        "stopped": frozenset({Channel.EMAIL}),
    }
    person = a_person(services, **chosen)
    correct_person(services, person, "Maud Marsh", None, a_contact(phone="+447700900456"), "desk")
    with services.open_reading() as work:
        found = work.people.get(person)
    assert found.contact == replace(a_contact(phone="+447700900456"), **chosen)
    assert (found.name, found.born) == ("Maud Marsh", None)


def test_a_corrected_zone_lays_unsent_doses_out_anew() -> None:
    services, _ = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    correct_person(services, person, "Maud Ellery", None, a_contact(zone="Asia/Karachi"), "desk")
    with services.open_reading() as work:
        messages = work.messages.of_person(person)
    doses = [m.planned for m in messages if m.planned.kind is MessageKind.DOSE and not m.superseded]
    assert doses and {dose.zone for dose in doses} == {"Asia/Karachi"}


def test_a_renewed_link_replaces_every_earlier_one() -> None:
    services, _ = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")
    with services.open_reading() as work:
        first = work.links.live_id(person)
    renew_link(services, person, "desk")
    with services.open_reading() as work:
        second = work.links.live_id(person)
    assert first != second and second is not None
    revoke_links(services, person, "desk")
    with services.open_reading() as work:
        assert work.links.live_id(person) is None


def test_leaving_is_dated_by_the_clinics_day_and_can_be_taken_back() -> None:
    services, _ = a_service()
    person = a_person(services)
    mark_left(services, person, "desk", left=True)
    with services.open_reading() as work:
        assert work.people.get(person).contact.left == date(2026, 11, 25)
    mark_left(services, person, "desk", left=False)
    with services.open_reading() as work:
        assert work.people.get(person).contact.left is None


def test_nobody_is_changed_who_is_not_there() -> None:
    services, _ = a_service()
    for act in (
        lambda: correct_person(services, "nobody", "x", None, a_contact(), "desk"),
        lambda: mark_left(services, "nobody", "desk", left=True),
        lambda: renew_link(services, "nobody", "desk"),
        lambda: revoke_links(services, "nobody", "desk"),
    ):
        with pytest.raises(NotFoundError):
            act()
