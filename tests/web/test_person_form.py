"""From the form about a person to a contact."""

from __future__ import annotations

from datetime import date, time

import pytest
from builders import VISIT_DAY, a_contact
from hypothesis import given
from hypothesis import strategies as st
from web.staff_pages import FULL
from werkzeug.datastructures import MultiDict

from service.domain.contact import Channel
from service.web.person_form import FIELDS, Allowed, read_person, typed_of

ALLOWED = Allowed(languages=("en", "ur"), region="GB", fiction=True, today=VISIT_DAY)


def test_a_full_form_becomes_a_contact_and_the_number_is_shown_back() -> None:
    form = read_person(MultiDict(FULL), ALLOWED)
    assert form.errors == {}
    assert form.contact == a_contact()
    assert form.born == date(1948, 3, 2)
    assert form.phone_back == "+44 7700 900123"


def test_a_person_in_the_record_comes_back_unchanged_through_the_form() -> None:
    contact = a_contact(
        guardian="Ines Ellery",
        discreet=False,
        large_print=True,
        channels=(Channel.LETTER,),
        quiet_from=time(21, 30),
        quiet_to=time(8),
        join_with_others=True,
    )
    form = read_person(MultiDict(typed_of("Maud Ellery", date(1948, 3, 2), contact)), ALLOWED)
    assert form.contact == contact


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": " "}, "name"),
        ({"name": "x" * 201}, "name"),
        ({"given_name": ""}, "given_name"),
        ({"born": "02/03/1948"}, "born"),
        ({"born": "2027-01-01"}, "born"),
        ({"born": "1848-01-01"}, "born"),
        ({"language": "tlh"}, "language"),
        ({"zone": "Nowhere/Land"}, "zone"),
        ({"phone": "12"}, "phone"),
        ({"phone": "020 7946 0123"}, "phone"),  # texts do not reach it
        ({"phone": ""}, "phone"),  # wanted by text, no number
        ({"email": "not an address"}, "email"),
        ({"email": ""}, "email"),
        ({"third": "letter", "address": ""}, "address"),
        ({"second": "text"}, "second"),  # twice
        ({"second": "pigeon"}, "second"),
        ({"reminders": "hourly"}, "reminders"),
        ({"address": "\n".join("abcdefgh")}, "address"),
        ({"quiet_from": "22:00"}, "quiet_to"),  # the other one is missing
        ({"quiet_to": "07:00"}, "quiet_from"),
        ({"quiet_from": "22:00", "quiet_to": "late"}, "quiet_to"),
        ({"quiet_from": "24:00", "quiet_to": "07:00"}, "quiet_from"),
        ({"quiet_from": "22:00+01:00", "quiet_to": "07:00"}, "quiet_from"),
    ],
)
def test_each_wrong_field_has_one_sentence_and_nothing_typed_is_lost(changes: dict[str, str], field: str) -> None:
    form = read_person(MultiDict({**FULL, **changes}), ALLOWED)
    assert list(form.errors) == [field]
    assert form.errors[field].endswith(".")
    assert form.contact is None
    assert form.typed[field] == changes.get(field, "")
    assert all(form.typed[name] == text for name, text in changes.items())


@pytest.mark.parametrize(
    ("typed", "wanted"),
    [
        (("22:00", "07:00"), (time(22), time(7))),  # over midnight
        (("13:00", "15:30:00"), (time(13), time(15, 30))),  # with seconds, as some browsers send them
        (("00:00", "00:00"), (time(0), time(0))),  # no quiet hours at all
        (("", " "), (None, None)),  # the clinic's
    ],
)
def test_own_quiet_hours_are_two_times_or_none(typed: tuple[str, str], wanted: tuple[time | None, time | None]) -> None:
    form = read_person(MultiDict({**FULL, "quiet_from": typed[0], "quiet_to": typed[1]}), ALLOWED)
    assert form.contact == a_contact(quiet_from=wanted[0], quiet_to=wanted[1])


def test_one_time_alone_is_refused_with_a_sentence_that_says_what_to_do() -> None:
    form = read_person(MultiDict({**FULL, "quiet_from": "22:00"}), ALLOWED)
    assert form.errors == {"quiet_to": "Give this time too: quiet hours need both times, or none."}


def test_texts_are_joined_only_when_the_box_is_ticked() -> None:
    for sent, joined in (({}, False), ({"join_with_others": "yes"}, True), ({"join_with_others": "on"}, False)):
        assert read_person(MultiDict({**FULL, **sent}), ALLOWED).contact == a_contact(join_with_others=joined)


def test_what_was_found_unusable_is_shown_and_never_decided_by_the_form() -> None:
    bad = frozenset({Channel.EMAIL, Channel.TEXT})
    typed = typed_of("Maud Ellery", None, a_contact(bad=bad))
    assert typed["bad"] == "email text"
    again = read_person(MultiDict({**typed, "name": ""}), ALLOWED)
    assert again.typed["bad"] == "email text"
    assert read_person(MultiDict(typed), ALLOWED).contact == a_contact()


def test_invented_contacts_are_refused_outside_a_demo() -> None:
    form = read_person(MultiDict(FULL), Allowed(languages=("en",), region="GB", fiction=False, today=VISIT_DAY))
    assert "phone" in form.errors


@given(st.dictionaries(st.sampled_from(FIELDS), st.text(max_size=40)))
def test_whatever_is_typed_gives_a_contact_or_a_sentence(typed: dict[str, str]) -> None:
    form = read_person(MultiDict(typed), ALLOWED)
    assert (form.contact is None) == bool(form.errors)
