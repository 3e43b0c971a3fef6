"""From the form about a person to a contact."""

from __future__ import annotations

from datetime import date

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
    contact = a_contact(guardian="Ines Ellery", discreet=False, large_print=True, channels=(Channel.LETTER,))
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
    ],
)
def test_each_wrong_field_has_one_sentence_and_nothing_typed_is_lost(changes: dict[str, str], field: str) -> None:
    form = read_person(MultiDict({**FULL, **changes}), ALLOWED)
    assert list(form.errors) == [field]
    assert form.errors[field].endswith(".")
    assert form.contact is None
    assert form.typed[field] == changes[field]


def test_invented_contacts_are_refused_outside_a_demo() -> None:
    form = read_person(MultiDict(FULL), Allowed(languages=("en",), region="GB", fiction=False, today=VISIT_DAY))
    assert "phone" in form.errors


@given(st.dictionaries(st.sampled_from(FIELDS), st.text(max_size=40)))
def test_whatever_is_typed_gives_a_contact_or_a_sentence(typed: dict[str, str]) -> None:
    form = read_person(MultiDict(typed), ALLOWED)
    assert (form.contact is None) == bool(form.errors)
