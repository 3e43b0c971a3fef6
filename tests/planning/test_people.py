"""Adding and correcting a person, links, leaving."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time

import pytest
from builders import StoppedClock, a_contact, a_person, a_service, a_visit

from service.domain.contact import Channel, Contact, Rhythm
from service.domain.message import MessageKind, State
from service.errors import ContactError, NotFoundError
from service.planning.aftercare import give
from service.planning.people import (
    add_person,
    correct_person,
    mark_died,
    mark_left,
    mark_withdrawn,
    renew_link,
    revoke_links,
    trust_channel,
)
from service.services import Services


def test_a_person_in_an_unknown_zone_is_not_added() -> None:
    services, _ = a_service()
    with pytest.raises(ContactError):
        add_person(services, "Maud Ellery", None, a_contact(zone="Nowhere"), "desk")
    with services.open_reading() as work:
        assert work.people.search("") == []


def test_a_correction_keeps_what_only_the_person_decides() -> None:
    services, _ = a_service()
    chosen = {
        "rhythm": Rhythm(morning=Rhythm().morning.replace(hour=9)),
        "paused_until": date(2026, 12, 1),
        "stopped": frozenset({Channel.EMAIL}),
        "left": date(2026, 11, 1),
        "died": date(2026, 11, 2),
        "withdrawn": date(2026, 11, 3),
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


def of(services: Services, person: str = "maud") -> Contact:
    with services.open_reading() as work:
        return work.people.get(person).contact


def actions(services: Services, person: str = "maud") -> list[str]:
    """What was done to the person, oldest first."""
    with services.open_reading() as work:
        return [line.action for line in reversed(work.ledger.history(person))]


ENDS: list[tuple[str, Callable[..., None], str, str]] = [
    ("left", mark_left, "person-left", "person-back"),
    ("died", mark_died, "person-died", "person-lives"),
    ("withdrawn", mark_withdrawn, "consent-withdrawn", "consent-recorded"),
]


@pytest.mark.parametrize(("field", "mark", "done", "undone"), ENDS)
def test_what_ends_every_message_is_dated_on_record_and_can_be_taken_back(
    field: str, mark: Callable[..., None], done: str, undone: str
) -> None:
    services, _ = a_service()
    person = a_person(services)
    mark(services, person, "desk", **{field: True})
    assert of(services) == a_contact(**{field: date(2026, 11, 25)})
    mark(services, person, "desk", **{field: False})
    assert of(services) == a_contact()
    assert actions(services) == [done, undone]


@pytest.mark.parametrize(("field", "mark", "done", "undone"), ENDS)
def test_marking_twice_keeps_the_first_day_and_writes_one_line(
    field: str, mark: Callable[..., None], done: str, undone: str
) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    mark(services, person, "desk", **{field: False})
    for _ in range(2):
        mark(services, person, "desk", **{field: True})
        clock.forward(days=1)
    assert getattr(of(services), field) == date(2026, 11, 25)
    assert actions(services) == [done]


def test_the_day_is_that_of_the_clinic_not_of_utc() -> None:
    services, _ = a_service(clock=StoppedClock(datetime(2026, 7, 1, 23, 30, tzinfo=UTC)))  # 00:30 in London
    mark_withdrawn(services, a_person(services, zone="America/New_York"), "desk", withdrawn=True)
    assert of(services).withdrawn == date(2026, 7, 2)


@pytest.mark.parametrize(("field", "mark"), [entry[:2] for entry in ENDS])
def test_waiting_messages_are_looked_at_at_once(field: str, mark: Callable[..., None]) -> None:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    person = a_person(services)
    stored = give(services, person, a_visit(), by="nurse")
    with services.open_reading() as work:
        (first,) = [m for m in work.messages.of_person(person) if m.planned.kind is MessageKind.PLAN_GIVEN]
    clock.forward(hours=1)
    mark(services, person, "desk", **{field: True})
    with services.open_reading() as work:
        assert work.messages.get(first.id).look_at == clock.at
        assert work.plans.get(stored.id) == stored  # the plan stays


@pytest.mark.parametrize(("field", "mark"), [entry[:2] for entry in ENDS])
def test_after_a_mistake_the_reminders_still_to_come_are_there_again(field: str, mark: Callable[..., None]) -> None:
    services, _ = a_service()
    person = a_person(services)
    give(services, person, a_visit(), by="nurse")

    def to_come() -> set[str]:
        with services.open_reading() as work:
            found = work.messages.of_person(person)
        return {m.planned.key for m in found if m.state is State.PENDING and not m.superseded}

    before = to_come()
    mark(services, person, "desk", **{field: True})
    correct_person(services, person, "Maud Ellery", None, a_contact(zone="Europe/Paris"), "desk")
    correct_person(services, person, "Maud Ellery", None, a_contact(), "desk")
    mark(services, person, "desk", **{field: False})
    assert to_come() == before


BAD = frozenset({Channel.TEXT, Channel.EMAIL, Channel.LETTER})


@pytest.mark.parametrize(
    ("changes", "bad"),
    [
        ({"phone": "+447700900456"}, BAD - {Channel.TEXT}),
        ({"email": "maud.ellery@example.org"}, BAD - {Channel.EMAIL}),
        ({"address": ("3 Elm Row", "Exampleton", "EX1 0AB")}, BAD - {Channel.LETTER}),
        ({"phone": None}, BAD - {Channel.TEXT}),
        ({"phone": "+44 7700 900 123"}, BAD),  # the same number
        ({"email": "MAUD@example.org"}, BAD),  # the same address
        ({"address": ("2  Elm Row", "EXAMPLETON", "EX1 0AB")}, BAD),
        ({"given_name": "Maudie"}, BAD),
    ],
)
def test_only_a_really_changed_number_or_address_counts_as_usable_again(
    changes: dict[str, object], bad: frozenset[Channel]
) -> None:
    services, _ = a_service()
    person = a_person(services, bad=BAD)
    correct_person(services, person, "Maud Ellery", None, a_contact(**changes), "desk")
    assert of(services).bad == bad
    assert actions(services) == ["person-corrected", *["channel-mended"] * (3 - len(bad))]


def test_own_quiet_hours_and_joined_texts_are_stored_as_the_form_has_them() -> None:
    services, _ = a_service()
    person = a_person(services, quiet_from=time(20), quiet_to=time(9))
    corrected = a_contact(quiet_from=time(23), quiet_to=time(6), join_with_others=True)
    correct_person(services, person, "Maud Ellery", None, corrected, "desk")
    assert of(services) == corrected
    correct_person(services, person, "Maud Ellery", None, a_contact(), "desk")
    assert of(services) == a_contact()


def test_a_number_that_is_right_after_all_is_used_again_and_its_reminders_come_back() -> None:
    services, _ = a_service()
    person = a_person(services, bad=frozenset({Channel.TEXT}), channels=(Channel.TEXT,))
    give(services, person, a_visit(), by="nurse")

    def doses() -> int:
        with services.open_reading() as work:
            return sum(m.planned.kind is MessageKind.DOSE for m in work.messages.of_person(person))

    assert doses() == 0  # nothing would carry them
    for _ in range(2):
        trust_channel(services, person, Channel.TEXT, "desk")
    assert of(services).bad == frozenset()
    assert doses() == 14
    assert actions(services).count("channel-trusted") == 1


def test_nobody_is_changed_who_is_not_there() -> None:
    services, _ = a_service()
    for act in (
        lambda: correct_person(services, "nobody", "x", None, a_contact(), "desk"),
        lambda: mark_left(services, "nobody", "desk", left=True),
        lambda: mark_died(services, "nobody", "desk", died=True),
        lambda: mark_withdrawn(services, "nobody", "desk", withdrawn=True),
        lambda: trust_channel(services, "nobody", Channel.TEXT, "desk"),
        lambda: renew_link(services, "nobody", "desk"),
        lambda: revoke_links(services, "nobody", "desk"),
    ):
        with pytest.raises(NotFoundError):
            act()
