"""Does a sentence end where a reader ends it, in every script?"""

from __future__ import annotations

import pytest

from service.wording.sentences import split_sentences, words_of

CASES = [
    ("en", "Your visit is at ten. Please bring your card. Call us!", 3),
    ("en", "See Dr. Lee at 9.30. Ask for Mrs. Smith.", 2),
    ("en", "Call me. Bring the bottle.", 2),
    ("en", "Ask J. Smith, e.g. by phone.", 1),
    ("en", "Is it safe? No. Call 111. Bring your card.", 4),
    ("en", "Use 2.5 ml. Then wait.", 2),
    ("en", "Room No. 5 is on the left.", 1),
    ("en", "Bring:\n- your card\n- your glasses\n- a pen", 1),
    ("en", "1. Wash your hands.\n2. Lie down.", 2),
    ("en", "Come at 5 p.m. and wait.", 1),
    ("en", "“Is it normal?” she asked.", 1),
    ("en", "Your plan\n\nKeep it dry.", 2),
    ("en", "Here is your plan: https://larkfield.example/p/abc Keep this link.", 2),
    ("en", "See https://larkfield.example/p/abc for what to do.", 1),
    ("pl", "Dr. Nowak przyjmuje o godz. 9.30. Proszę zadzwonić.", 2),
    ("es", "Pregunte por la Dra. López. Traiga su tarjeta.", 2),
    ("pt", "Ligue-me. Traga o cartão.", 2),
    ("fr", "Voyez M. Petit. Appelez-nous.", 2),
    ("uk", "Вул. Садова, тел. 5. Зателефонуйте нам.", 2),
    ("hi", "कान को सूखा रखें। मदद लें।", 2),
    ("hi", "डॉ. शर्मा से मिलें।", 1),
    ("bn", "কান শুকনো রাখুন। সাহায্য নিন।", 2),
    ("ur", "یہ آپ کا پلان ہے۔ کیا درد ہے؟ ہم سے رابطہ کریں۔", 3),
    ("ar", "هل تشعر بألم؟ اتصل بنا. شكرا", 3),
    ("ar", "خطتك: \u2066https://larkfield.example/p/abc\u2069 للتواصل معنا: \u2066020 7946 0123\u2069.", 2),
    ("zh-Hans", "请保留此链接。需要帮助吗？请联系我们！", 3),
    ("en", "", 0),
    ("en", " ... !? ", 0),
]


@pytest.mark.parametrize(("language", "text", "number"), CASES)
def test_sentences_end_where_a_reader_ends_them(language: str, text: str, number: int) -> None:
    found = split_sentences(text, language)
    assert len(found) == number, found


def test_no_word_is_lost_between_sentences() -> None:
    text = "See Dr. Lee at 9.30. Bring:\n- your card\n- a pen\n\nThank you!"
    found = split_sentences(text, "en")
    assert [word for sentence in found for word in words_of(sentence)] == (
        ["See", "Dr", "Lee", "at", "9.30", "Bring", "your", "card", "a", "pen", "Thank", "you"]
    )


def test_marks_of_a_script_belong_to_the_word_and_its_full_stop_does_not() -> None:
    assert words_of("तबीयत बिगड़े, भेजें।") == ("तबीयत", "बिगड़े", "भेजें")
    assert words_of("আপনার কানে।") == ("আপনার", "কানে")


def test_a_word_joined_by_a_hyphen_is_one_and_a_dash_is_none() -> None:
    assert words_of("wax-softening drops — twice") == ("wax-softening", "drops", "twice")
