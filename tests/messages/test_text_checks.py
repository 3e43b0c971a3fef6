from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from babel import Locale
from builders import the_catalogs, the_pack

from service.domain.pack import Forms, Wording
from service.errors import ContactError
from service.messages.i18n import plural_categories, plural_form
from service.messages.text_checks import TextFault, composed, single_numbers, text_faults

VECTORS = Path(__file__).resolve().parents[1] / "data" / "vectors"
PLURALS: dict[str, Any] = json.loads((VECTORS / "plurals.json").read_text(encoding="utf-8"))["languages"]


def a_unit(english: str, *, safety: bool = False) -> Wording:
    return Wording(id="u", topic="t", forms={"any": Forms(other=english)}, safety=safety)


CALL = a_unit("Call {clinic} on {phone}.")
DROPS = Wording(
    id="drops",
    topic="t",
    forms={"any": Forms(one="Put in {drops} drop, 2 times a day.", other="Put in {drops} drops, 2 times a day.")},
    count="drops",
)
DRY = Wording(
    id="dry",
    topic="t",
    forms={ear: Forms(other=f"Keep the {ear} ear dry until {{until}}.") for ear in ("right", "left", "both")},
    safety=True,
)


def faults(english: str | Wording, text: str, language: str = "fr") -> tuple[TextFault, ...]:
    unit = a_unit(english) if isinstance(english, str) else english
    return text_faults(unit, language, {"any": (text,)})


def refused(english: str | Wording, text: str, language: str = "fr") -> list[str]:
    """What the refused places of a text hold ("" where something is missing), each with what is wrong."""
    return [f"{text[found.start : found.end]}|{found.what}" for found in faults(english, text, language) if found.bars]


def shown(english: str, text: str, language: str = "fr") -> list[str]:
    return [found.what for found in faults(english, text, language) if not found.bars]


def test_a_right_translation_has_no_fault() -> None:
    assert faults(CALL, "Appelez {clinic} au {phone}.") == ()


@pytest.mark.parametrize(
    ("text", "places"),
    [
        ("Appelez {clinic}.", ["|{phone} is missing"]),
        ("Appelez {clinic} au {phone} : {link}.", ["{link}|{link} is not in the English"]),
        ("Appelez {Clinic} au {phone}.", ["{Clinic}"]),
        ("Appelez { clinic } au {phone}.", ["{ clinic }"]),
        ("Appelez {clin\u200bic} au {phone}.", ["{clin\u200bic}", "\u200b"]),
        ("Appelez {сlinic} au {phone}.", ["{сlinic}"]),  # the first letter is Cyrillic
        ("Appelez ｛clinic｝ au {phone}.", ["｛clinic｝"]),
        ("Appelez {{clinic}} au {phone}.", ["{{clinic}}"]),
        ("Appelez ${clinic} au {phone}.", ["${clinic}"]),
        ("Appelez {clinic au {phone}.", ["{", "|{clinic} is missing"]),
        ("Appelez clinic} au {phone}.", ["}", "|{clinic} is missing"]),
        ("Appelez %(clinic)s au {phone}.", ["|{clinic} is missing"]),
        ("Appelez {clinic} au {phone}. {}", ["{}"]),
    ],
)
def test_a_missing_extra_or_altered_placeholder_is_refused_at_its_place(text: str, places: list[str]) -> None:
    found = refused(CALL, text)
    assert len(found) == len(places)
    for place in places:
        assert any(each == place or each.startswith(f"{place}|") for each in found), found


def test_an_altered_placeholder_names_the_one_that_was_meant() -> None:
    (found,) = faults(CALL, "Appelez {Clinic} au {phone}.")
    assert found.message.endswith("write {clinic} in exactly these letters")
    assert (found.form, found.index, found.bars) == ("any", None, True)


def test_what_says_how_much_or_when_is_said_once_and_names_as_often_as_grammar_asks() -> None:
    assert refused("Dry until {until}.", "Sec au {until}, {until}.") == ["{until}|{until} is said too often"]
    assert faults("This is for {person}.", "Pour {person}. «Vous» : {person}.") == ()
    assert shown("See {link}.", "Voir {link} ou {link}.") == ["{link} is said more often than in the English"]
    assert refused("{drops} of {doses} a.", "{drops}{doses} a.") == ["{drops}|{drops} touches another number"]


@pytest.mark.parametrize(
    ("language", "texts"),
    [("cy", ("{drops}, 2",) * 5), ("pl", ("{drops}, 2",) * 2), ("ar", ("{drops}, 2",)), ("zh", ("{drops}, 2",) * 2)],
)
def test_every_plural_form_of_the_language_is_there_and_no_other(language: str, texts: tuple[str, ...]) -> None:
    (found,) = text_faults(DROPS, language, {"any": texts})
    assert found.what == f"{len(texts)} plural forms where {language} has {len(plural_categories(language))}"
    assert found.allowed.endswith(", ".join(plural_categories(language)))


@pytest.mark.parametrize("language", sorted(PLURALS))
def test_the_forms_asked_for_and_those_that_may_leave_out_the_number_are_those_of_the_cldr(language: str) -> None:
    samples = PLURALS[language]["integers_by_category"]
    assert set(plural_categories(language)) == set(PLURALS[language]["categories_all"]) | {"other"}
    # Outside checks: the CLDR's own samples, and Babel's evaluation of the rule that gettext's was made from.
    rule = Locale.parse(language).plural_form
    for category, numbers in samples.items():
        for number in numbers:
            assert plural_categories(language)[plural_form(language)(number)] == category == rule(number)
    alone = {numbers[0] for numbers in samples.values() if len(numbers) == 1 and numbers[0] <= 2}
    assert set(single_numbers(language).values()) == alone
    for index, category in enumerate(plural_categories(language)):
        texts = ["{drops}, 2"] * len(plural_categories(language))
        texts[index] = "drops, 2"
        missing = [found.index for found in text_faults(DROPS, language, {"any": tuple(texts)}) if found.bars]
        assert missing == ([] if samples.get(category) in ([0], [1], [2]) else [index])


def test_a_form_for_one_number_may_say_that_number_and_no_other() -> None:
    many = ("{drops} k, 2.",) * 3
    for text in ("Jedna k, 2.", "1 k, 2.", "{drops} k, 2."):
        assert text_faults(DROPS, "pl", {"any": (text, *many)}) == ()
    (found,) = text_faults(DROPS, "pl", {"any": ("3 k, 2.", *many)})
    assert (found.what, found.index, found.start, found.end) == ("the number 3 is not in the English", 0, 0, 1)


@pytest.mark.parametrize(
    ("english", "text", "language"),
    [
        ("Wait 10 minutes.", "انتظر ١٠ دقائق.", "ar"),
        ("Wait 10 minutes.", "१० मिनट रुकें।", "hi"),
        ("Over 39 °C.", "Plus de 39 °C.", "fr"),
        ("Over 39 °C.", "أعلى من 39 درجة مئوية.", "ar"),
        ("Over 38.5 °C.", "Plus de 38,5 °C.", "fr"),
        ("About 1,000 drops.", "Environ 1\u202f000 gouttes.", "fr"),
        ("Within 2-3 days.", "Sous 2 à 3 jours.", "fr"),
        ("72 hours (3 days).", "3 jours (72 heures).", "fr"),
        ("Wait one minute.", "Arhoswch 1 munud.", "cy"),
        ("Twice a day.", "2 fois par jour.", "fr"),
        ("Do this every {days} days.", "Faites cela 1 jour sur {days}.", "fr"),
        ("For ½ an hour.", "Pendant 0,5 heure.", "fr"),
    ],
)
def test_a_number_is_kept_in_the_digits_and_the_order_of_any_language(english: str, text: str, language: str) -> None:
    assert faults(english, text, language) == ()


@pytest.mark.parametrize(
    ("english", "text", "found"),
    [
        ("Wait 10 minutes.", "Attendez.", "|the number 10 of the English is missing"),
        ("Wait 3 days.", "Attendez trois jours.", "|the number 3 of the English is missing"),
        ("Wait.", "Attendez 10 minutes.", "10|the number 10 is not in the English"),
        ("2 drops, 2 times.", "2 gouttes, 2 fois, 2 jours.", "2|the number 2 is not in the English"),
        ("2 drops, 2 times.", "2 gouttes.", "|the number 2 of the English is missing"),
        ("37.5 ml.", "375 ml.", "375|the number 375 is not in the English"),
        ("Wait 3.", "Attendez 3½.", "½|the number ½ is not in the English"),
        ("Wait 10.", "Attendez 1٠.", "1٠|1٠ mixes digits of two scripts"),
        ("Over 39 °C.", "Plus de 39 °F.", "°F|°F is not in the English"),
    ],
)
def test_a_number_that_is_lost_added_or_changed_is_refused(english: str, text: str, found: str) -> None:
    assert found in refused(english, text)


def test_a_changed_number_is_refused_twice_as_lost_and_as_new() -> None:
    assert refused("Within 24 hours.", "Sous 42 heures.") == [
        "42|the number 42 is not in the English",
        "|the number 24 of the English is missing",
    ]


def test_one_may_be_in_words_and_two_where_the_language_has_a_dual_and_both_are_shown() -> None:
    assert shown("After 1 hour.", "Après une heure.") == ["1 does not stand there in digits"]
    assert shown("After 2 days.", "بعد يومين.", "ar") == ["2 does not stand there in digits"]
    assert refused("After 2 days.", "Après deux jours.") == ["|the number 2 of the English is missing"]


@pytest.mark.parametrize("literal", ["https://example.org/a", "www.example.org", "desk@example.org", "020 7946 0123"])
def test_a_link_an_address_or_a_phone_number_is_kept_as_it_is(literal: str) -> None:
    english = f"Ask at {literal}."
    assert faults(english, f"Demandez : {literal}.") == ()
    altered = literal.replace("example", "exemple").replace("0123", "0124")
    found = refused(english, f"Demandez : {altered}.")
    assert f"{altered}|{altered} is not in the English" in found
    assert f"|{literal} is missing or was altered" in found
    assert refused(english, "Demandez.") == [f"|{literal} is missing or was altered"]
    assert refused("Ask.", f"Demandez : {literal}.") == [f"{literal}|{literal} is not in the English"]


def test_a_phone_number_may_be_grouped_as_the_language_does_but_not_be_in_other_digits() -> None:
    assert faults("Ring 020 7946 0123.", "Appelez le 020 79 46 01 23.") == ()
    assert refused("Ring 020 7946 0123.", "اتصل ٠٢٠ ٧٩٤٦ ٠١٢٣.", "ar")


@pytest.mark.parametrize(
    "text",
    [
        "a (b) c.",
        "a [b (c)] d.",
        "«a» b.",
        "„a“ b.",
        "„a” b.",
        "“a” b.",
        "”a” b.",
        "»a« b.",
        "»a» b.",
        '"a" b.',
        "「a『b』」c.",
        "（a）b.",
        "l’a d’b.",
        "‘a’ b’c.",
        "a 'b.",
    ],
)
def test_the_pairs_of_every_language_are_balanced(text: str) -> None:
    assert refused("a.", text, "de") == []


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("a (b c.", "("),
        ("a b) c.", ")"),
        ("«a b.", "«"),
        ("„a b.", "„"),
        ("a” b.", "”"),
        ('"a b.', '"'),
        ("「a b.", "「"),
        ("a ([b)] c.", ")"),
        ("a （b) c.", ")"),
        ("<b>a.", "<b>"),
        ("a **b.", "**"),
        ("a &nbsp;b.", "&nbsp;"),
    ],
)
def test_a_bracket_a_quotation_mark_or_a_tag_without_its_partner_is_refused(text: str, place: str) -> None:
    assert place in [found.split("|")[0] for found in refused("a.", text, "de")]


def test_the_markup_of_the_english_is_kept_whole() -> None:
    assert refused("a <b>c</b>.", "x <b>y</b>.") == []
    assert "|</b> is missing" in refused("a <b>c</b>.", "x <b>y.")
    assert "</b>|</b> ends nothing" in refused("a <b>c</b>.", "x </b>y<b>.")


@pytest.mark.parametrize(
    "char",
    [
        "\u202e",
        "\u2066",
        "\u200f",
        "\u200b",
        "\ufeff",
        "\u00ad",
        "\x07",
        "\n",
        "\u2028",
        "\ue000",
        "\ud800",
        "\ufffd",
        "\u3164",
        "\u2800",
        "\u034f",
        "\U000e0041",
    ],
)
def test_a_character_that_nobody_sees_or_can_print_is_refused_at_its_place(char: str) -> None:
    (found,) = faults("Go on.", f"Allez{char}y.")
    assert (found.start, found.end, found.bars) == (5, 6, True)


def test_the_joiners_that_scripts_need_are_kept_between_letters_only() -> None:
    assert refused("You want it.", "می\u200cخواهید.", "fa") == []
    assert refused("You want it.", "क्\u200dष।", "hi") == []
    assert refused("Go on.", "Allez \u200dy.") == ["\u200d|holds an invisible joiner (U+200D)"]


def test_spaces_at_the_ends_and_letters_in_parts_are_refused() -> None:
    assert refused("Go on.", " Allez.\u00a0") == [
        " |a space stands before the text",
        "\u00a0|a space stands after the text",
    ]
    parted = "Le re\u0301sultat."
    assert refused("The result.", parted) == ["e\u0301|a letter is not written in its composed form (NFC)"]
    assert faults("The result.", composed({"any": (parted,)})["any"][0]) == ()
    assert composed({"any": ("क़",)}) == {"any": ("क\u093c",)}  # some letters are composed of two characters


def test_a_safety_sentence_is_not_emptied_and_not_cut_to_less_than_a_third() -> None:
    english = a_unit("Go to the emergency department now if your hearing drops suddenly. {phone}", safety=True)
    assert refused(english, "{phone}")[0].endswith("a safety sentence has no words left")
    assert "letters where the English has" in refused(english, "Allez-y. {phone}")[0]
    assert refused(english, "听力突然下降，请立即去急诊。{phone}", "zh") == []
    assert refused(a_unit("Go to the emergency department now if your hearing drops.", safety=False), "Allez.") == []
    assert [found.bars for found in faults(a_unit("Keep your ear dry for now.", safety=True), "Sec.")] == [False]


def test_an_empty_text_is_refused() -> None:
    assert refused("Go.", "") == ["|the text is empty"]
    assert "   |the text is empty" in refused("Go.", "   ")


@pytest.mark.parametrize(
    ("language", "right", "slip"),
    [
        ("ur", "یہ ہے۔", "یہ ہے."),
        ("hi", "यह है।", "यह है."),
        ("ar", "ما هذا؟", "ما هذا?"),
        ("zh", "好。", "好."),
        ("fr", "Oui (non).", "Oui (non)"),
        ("th", "ไป", "ไป  มา"),
    ],
)
def test_the_end_of_a_sentence_is_looked_for_in_the_marks_of_the_language(language: str, right: str, slip: str) -> None:
    assert faults("This is it.", right, language) == ()
    (found,) = faults("This is it.", slip, language)
    assert not found.bars


def test_likely_slips_are_shown_and_bar_nothing() -> None:
    assert shown("Go on now.", "Allez  y.") == ["two spaces follow each other"]
    assert shown("Go on now.", "Allez y y.") == ["y. is said twice"]
    assert shown("Go slowly.", "धीरे धीरे चलें।", "hi") == []
    assert shown("You dress.", "Vous vous habillez.") == []
    assert shown("Help", "Help") == ["the text is the same as the English"]
    assert faults("Help", "Help", "en-GB") == ()


def test_every_form_is_there_and_right_and_left_are_not_the_same() -> None:
    right, left, both = "Droite {until}, tenir au sec.", "Gauche {until}, tenir au sec.", "Les deux {until}, au sec."
    assert text_faults(DRY, "fr", {"right": (right,), "left": (left,), "both": (both,)}) == ()
    (same,) = text_faults(DRY, "fr", {"right": (right,), "left": (right,), "both": (both,)})
    assert (same.form, same.bars) == ("left", True)
    found = text_faults(DRY, "fr", {"right": (right,), "left": (left,), "any": (both,)})
    assert [(each.form, each.what) for each in found] == [
        ("both", "the form both is missing"),
        ("any", "this unit has no form any"),
    ]


def test_the_english_may_be_the_clinics_own() -> None:
    own = {"any": ("Ring {clinic} within 5 days.",)}
    assert text_faults(CALL, "fr", {"any": ("Appelez {clinic} sous 5 jours.",)}, own) == ()
    found = text_faults(CALL, "fr", {"any": ("Appelez {clinic} au {phone}.",)}, own)
    assert [each.what for each in found] == [
        "{phone} is not in the English",
        "the number 5 of the English is missing",
    ]


def test_an_unknown_language_is_an_error_that_says_so() -> None:
    with pytest.raises(ContactError, match="not a language tag"):
        text_faults(DROPS, "Welsh!", {"any": ("{drops}, 2",)})


@cache
def shipped_faults() -> dict[tuple[str, str], tuple[TextFault, ...]]:
    """Every fault of every shipped text, by language and unit; a unit with a form untranslated is not there."""
    found = {}
    for language in the_catalogs().languages:
        for unit in the_pack().wording.values():
            texts = {form: the_catalogs().translation(language, unit.id, form) for form in unit.forms}
            said = {form: each for form, each in texts.items() if each is not None}
            if set(said) == set(unit.forms):
                found[language, unit.id] = text_faults(unit, language, said)
    return found


def test_nothing_that_is_shipped_is_refused_in_any_language() -> None:
    assert len(shipped_faults()) > 3000
    for place, found in shipped_faults().items():
        assert [fault.message for fault in found if fault.bars] == [], place


def test_every_number_of_a_shipped_sentence_stands_there_in_digits_or_in_the_arabic_dual() -> None:
    in_words = {place for place, found in shipped_faults().items() if any("in digits" in each.what for each in found)}
    assert {language for language, _ in in_words} <= {"ar"}
