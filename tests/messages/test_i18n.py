from __future__ import annotations

import json
import unicodedata
from datetime import date, time
from pathlib import Path
from typing import Any

import pytest
from babel import Locale
from hypothesis import given
from hypothesis import strategies as st

from service.domain.placeholders import Kind
from service.errors import ContactError
from service.messages import i18n

VECTORS = Path(__file__).parents[1] / "data" / "vectors"
PLURALS: dict[str, Any] = json.loads((VECTORS / "plurals.json").read_text(encoding="utf-8"))["languages"]
DIRECTION: dict[str, Any] = json.loads((VECTORS / "direction.json").read_text(encoding="utf-8"))["locales"]


@pytest.mark.parametrize("language", PLURALS)
def test_every_whole_number_gets_the_form_of_the_standard(language: str) -> None:
    expected = PLURALS[language]
    names = i18n.plural_categories(language)
    assert set(names) == set(expected["categories_all"])
    stated, header = i18n.compile_plural(i18n.plural_header(language))
    assert stated == len(names)
    rule = Locale.parse(language, sep="-").plural_form
    for category, integers in expected["integers_by_category"].items():
        for integer in integers:
            assert names[header(integer)] == category, integer
            assert names[i18n.plural_form(language)(integer)] == category, integer
            assert rule(integer) == category, integer


@pytest.mark.parametrize(
    ("language", "forms"), [("en", 2), ("cy", 6), ("ar", 6), ("pl", 4), ("ur", 2), ("zh", 1), ("bn", 2), ("zh-Hans", 1)]
)
def test_a_language_has_all_its_forms(language: str, forms: int) -> None:
    assert len(i18n.plural_categories(language)) == forms
    assert i18n.plural_header(language).startswith(f"nplurals={forms}; plural=")


def test_a_variant_in_another_script_still_counts_like_its_language() -> None:
    assert i18n.plural_header("pa-Arab") == i18n.plural_header("pa")
    assert i18n.plural_form("pt-PT")(0) != i18n.plural_form("pt")(0), "one is 0 and 1 in Brazil, 1 alone in Portugal"


def test_a_language_without_plural_data_is_refused() -> None:
    with pytest.raises(ContactError, match="plural forms are not known for qaa"):
        i18n.plural_form("qaa")
    with pytest.raises(ContactError, match="dates and numbers are not known for az-Arab"):
        i18n.format_date(date(2026, 11, 25), "az-Arab")


def test_a_header_that_is_no_plural_rule_is_refused() -> None:
    with pytest.raises(ValueError, match="not a Plural-Forms header"):
        i18n.compile_plural("nplurals=two")


@pytest.mark.parametrize("tag", DIRECTION)
def test_direction_goes_by_script(tag: str) -> None:
    assert i18n.script_of(tag) == DIRECTION[tag]["script"]
    assert i18n.direction(tag) == DIRECTION[tag]["direction"]


@pytest.mark.parametrize(
    ("given_tag", "canonical"),
    [
        ("EN", "en"),
        ("en-latn-gb", "en-GB"),  # the script is implied
        ("zh-hans", "zh-Hans"),  # Chinese has two scripts
        ("pt-pt", "pt-PT"),
        ("PA-ARAB", "pa-Arab"),
        ("pa-Guru", "pa"),
        ("iw", "he"),  # withdrawn code
        ("cym", "cy"),  # the shorter code wins
        ("en-UK", "en-GB"),
        ("es-419", "es-419"),
        ("de-CH-1996", "de-CH-1996"),
        ("ar-u-nu-latn", "ar-u-nu-latn"),
        (" cy ", "cy"),
    ],
)
def test_a_tag_has_one_way_of_writing(given_tag: str, canonical: str) -> None:
    assert i18n.canonical_tag(given_tag) == canonical
    assert i18n.canonical_tag(canonical) == canonical


@pytest.mark.parametrize("tag", ["", "e", "english", "en_GB", "en-", "-en", "en--GB", "*", "en-GB; rm", "ένα", "123"])
def test_a_malformed_tag_is_refused_with_a_way_out(tag: str) -> None:
    with pytest.raises(ContactError, match="not a language tag; give a code") as caught:
        i18n.canonical_tag(tag)
    assert caught.value.field == "language"


@pytest.mark.parametrize(
    ("tag", "chain"),
    [
        ("cy", ("cy",)),
        ("en-GB", ("en-GB", "en")),
        ("pa-Arab", ("pa-Arab",)),
        ("pa-Arab-PK", ("pa-Arab-PK", "pa-Arab")),
        ("pa-PK", ("pa-PK", "pa-Arab")),  # Pakistan writes Punjabi in Arabic script
        ("zh-TW", ("zh-TW", "zh-Hant")),
        ("zh-Hans-SG", ("zh-Hans-SG", "zh-Hans", "zh")),
        ("zh-Hans", ("zh-Hans", "zh")),  # "zh" alone is simplified
        ("zh", ("zh", "zh-Hans")),
        ("zh-CN", ("zh-CN", "zh-Hans", "zh")),
        ("zh-Hant", ("zh-Hant",)),
        ("zh-HK", ("zh-HK", "zh-Hant")),
        ("zh-Hant-HK", ("zh-Hant-HK", "zh-Hant")),
        ("yue", ("yue", "yue-Hant")),  # Cantonese never gets the simplified characters
        ("bn-BD", ("bn-BD", "bn")),
        ("bn-Latn", ("bn-Latn",)),
        ("ks-Deva", ("ks-Deva",)),
        ("ar-u-nu-latn", ("ar-u-nu-latn", "ar-u-nu", "ar")),
    ],
)
def test_a_fallback_never_crosses_scripts_and_has_no_default(tag: str, chain: tuple[str, ...]) -> None:
    assert i18n.fallback_chain(tag) == chain


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", "Wednesday, 25 November 2026"),
        ("en-GB", "Wednesday, 25 November 2026"),
        ("cy", "Dydd Mercher, 25 Tachwedd 2026"),
        ("pl", "środa, 25 listopada 2026"),
        ("ar", "الأربعاء، 25 نوفمبر 2026"),
        ("fa", "چهارشنبه ۲۵ نوامبر ۲۰۲۶"),
        ("bn", "বুধবার, ২৫ নভেম্বর, ২০২৬"),
        ("zh-Hans", "2026年11月25日星期三"),
    ],
)
def test_a_date_is_written_in_full(language: str, words: str) -> None:
    assert i18n.format_date(date(2026, 11, 25), language) == words


@pytest.mark.parametrize(
    ("clock", "words"),
    [(time(21, 30), "9:30 pm"), (time(8), "8:00 am"), (time(0, 5), "12:05 am"), (time(12, 15), "12:15 pm")],
)
def test_english_times_have_twelve_hours_in_every_country(clock: time, words: str) -> None:
    assert {i18n.format_time(clock, tag) for tag in ("en", "en-GB", "en-US")} == {words}


@pytest.mark.parametrize(
    ("language", "words"),
    [("cy", "21:30"), ("pl", "21:30"), ("ar", "9:30 م"), ("fa", "۲۱:۳۰"), ("bn", "৯:৩০ PM"), ("zh-Hans", "21:30")],
)
def test_other_times_are_short(language: str, words: str) -> None:
    assert i18n.format_time(time(21, 30), language) == words


def test_numbers_have_the_digits_of_the_language_and_plain_spaces() -> None:
    assert i18n.format_number(1234, "en") == "1,234"
    assert i18n.format_number(12345, "pl") == "12 345"
    assert i18n.format_number(12, "ar") == "12"
    assert i18n.format_number(12, "ar-EG") == "١٢"
    assert i18n.format_number(12, "pa-Arab") == "۱۲"
    assert i18n.format_number(1234567, "bn") == "১২,৩৪,৫৬৭"
    assert i18n.format_number(1234, "zh-Hans") == "1,234"


def test_lists_are_joined_as_the_language_joins_them() -> None:
    assert i18n.join_list(["morning"], "en") == "morning"
    assert i18n.join_list(["morning", "evening"], "en") == "morning and evening"
    assert i18n.join_list(["a", "b", "c"], "pl") == "a, b i c"
    assert i18n.join_list(["bore", "prynhawn"], "cy") == "bore, prynhawn"
    assert i18n.join_list(["সকালে", "দুপুরে", "রাতে"], "bn") == "সকালে, দুপুরে এবং রাতে"
    assert i18n.join_list(["早上", "中午", "睡前"], "zh-Hans") == "早上、中午和睡前"


def test_sentences_run_on_with_a_space_but_not_after_a_wide_mark() -> None:
    assert (
        i18n.run_on(["One.", "Two: https://ear.example.org/p/x", "Three."])
        == "One. Two: https://ear.example.org/p/x Three."
    )
    assert i18n.run_on(["诊所：", "请看：https://ear.example.org/p/x", "担心吗？", "请打999。"]) == (
        "诊所：请看：https://ear.example.org/p/x 担心吗？请打999。"
    ), "a link ends where a space stands"
    assert i18n.run_on([]) == ""


def test_values_are_isolated_in_right_to_left_text_only() -> None:
    assert i18n.isolate("+44 20 7946 0123", Kind.VERBATIM, "rtl") == "\u2066+44 20 7946 0123\u2069"
    assert i18n.isolate("Hill View", Kind.TEXT, "rtl") == "\u2068Hill View\u2069"
    assert i18n.isolate("2:00 PM", Kind.TIME, "rtl") == "\u20682:00 PM\u2069"
    assert i18n.isolate("3", Kind.NUMBER, "rtl") == "3"
    assert i18n.isolate("Hill View", Kind.TEXT, "ltr") == "Hill View"
    for language in ("bn", "zh-Hans"):  # not even a name from right to left brings marks into what is paid by the part
        assert i18n.isolate("مریم", Kind.TEXT, i18n.direction(language)) == "مریم"


@given(st.text(), st.sampled_from(Kind), st.sampled_from(["ltr", "rtl"]))
def test_a_value_cannot_bring_controls_of_its_own(value: str, kind: Kind, way: i18n.Direction) -> None:
    isolated = i18n.isolate(f"\u202e\u2067{value}\u0000\u2069", kind, way)
    inner = isolated[1:-1] if way == "rtl" and kind in (Kind.TEXT, Kind.TIME, Kind.VERBATIM) else isolated
    assert not i18n.BIDI_CONTROLS & set(inner)
    assert not any(unicodedata.category(char) == "Cc" for char in inner)


def test_a_line_break_in_a_value_becomes_a_space() -> None:
    assert i18n.clean("Hill\r\nView\x1b") == "Hill View"
