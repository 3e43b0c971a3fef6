"""Are uncommon words found, and everyday ones left alone, in every language that has a list?"""

from __future__ import annotations

import pytest

from service.wording.hard_words import COMMON_IN_ENGLISH, common_words, hard_words, has_list, segment

LISTED = "en pl ur ar bn hi pt ro es fr zh-Hans uk".split()  # noqa: SIM905


@pytest.mark.parametrize("language", LISTED)
def test_twelve_of_the_thirteen_languages_have_a_list(language: str) -> None:
    assert has_list(language)


def test_welsh_has_none_and_that_is_said() -> None:
    assert not has_list("cy")
    assert hard_words(["clust"], "cy") is None


def test_english_counts_ten_thousand_words_as_common() -> None:
    assert len(common_words("en")) == COMMON_IN_ENGLISH


@pytest.mark.parametrize(
    ("language", "common", "hard"),
    [
        ("en", ["water", "ear", "swim", "don't", "doctor's"], "perforation"),
        ("pl", ["woda", "wody", "lekarza", "ucho"], "perforacja"),
        ("es", ["agua", "oído", "médico"], "perforación"),
        ("fr", ["eau", "l'eau", "médecin", "aujourd'hui"], "tympanostomie"),
        ("pt", ["água", "médico"], "timpanoplastia"),
        ("ro", ["apă", "medic"], "timpanoplastie"),
        ("uk", ["вода", "лікар"], "тимпанопластика"),
        ("ar", ["ماء", "الطبيب"], "الاستئصال"),
        ("ur", ["پانی", "ڈاکٹر"], "استسقاء"),
        ("hi", ["पानी", "डॉक्टर"], "कर्णपटह"),
        ("bn", ["পানি", "কান"], "কর্ণপটহ"),
        ("zh-Hans", ["水", "医生"], "鼓膜"),
    ],
)
def test_a_word_of_the_trade_is_hard_and_everyday_words_are_not(language: str, common: list[str], hard: str) -> None:
    assert hard_words([*common, hard], language) == (hard,)


def test_a_word_is_named_once_as_it_stood_first() -> None:
    assert hard_words(["Grommet", "ear", "grommet", "tympanic"], "en") == ("Grommet", "tympanic")


def test_a_hyphenated_word_is_hard_if_a_part_is() -> None:
    assert hard_words(["well-known", "tympanic-like"], "en") == ("tympanic-like",)


def test_chinese_is_cut_into_words_and_nothing_is_lost() -> None:
    assert segment("请联系我们") == ("请", "联系", "我们")
    text = "如果您感觉更糟，请联系我们：020 7946 0123。"
    assert "".join(segment(text)) == "如果您感觉更糟请联系我们02079460123"
