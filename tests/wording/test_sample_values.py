"""Do the stand-in values look like what is really sent?"""

from __future__ import annotations

import pytest

from service.domain.placeholders import PLACEHOLDERS
from service.domain.text_alphabet import Alphabet, count_parts
from service.links import page_url, token_of
from service.messages.i18n import plural_categories, plural_form
from service.wording.sample_values import candidates, fill, plural_samples

LANGUAGES = "en cy pl ur ar bn hi pt ro es fr zh-Hans uk".split()  # noqa: SIM905


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_placeholder_has_values_in_every_language(language: str) -> None:
    assert all(all(candidates(name, language)) for name in PLACEHOLDERS)


def test_a_link_is_as_long_as_a_real_one() -> None:
    real = page_url("https://larkfield.example", token_of("a secret for tests only, 32 characters or more", "a-link"))
    assert len(candidates("link", "en")[0]) == len(real)


def test_a_given_name_comes_short_long_and_in_letters_that_phones_lack() -> None:
    values = candidates("person", "en")
    assert {count_parts(value).alphabet for value in values} == {Alphabet.GSM7, Alphabet.UCS2}
    assert max(map(len, values)) >= 10 and len(values[0]) <= 4


def test_the_longest_date_of_the_year_is_tried() -> None:
    assert max(map(len, candidates("date", "en"))) == len("Wednesday, 30 September 2026")


def test_a_spanish_date_can_force_another_alphabet() -> None:
    assert any("sábado" in value for value in candidates("date", "es"))


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_plural_form_is_exercised_by_a_number_that_takes_it(language: str) -> None:
    samples, form = plural_samples(language), plural_form(language)
    assert len(samples) == len(plural_categories(language))
    reached = {form(number) for number in range(1000)} | {form(1_000_000)}
    assert {form(number) for number in samples} == reached


def test_values_in_right_to_left_text_are_isolated_as_in_a_message() -> None:
    assert fill("{phone}", "ar", {"phone": "999"}) == "\u2066999\u2069"
    assert fill("{phone}", "en", {"phone": "999"}) == "999"
