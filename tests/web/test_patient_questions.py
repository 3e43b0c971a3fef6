"""Does a search among common questions find what a reader means, in any script, and never say that all is well?"""

from __future__ import annotations

import pytest

from service.messages.reading import Answered, Questions
from service.web.patient_questions import search


def questions(*pairs: tuple[str, str]) -> Questions:
    asked = tuple(Answered(id=str(n), ask=ask, answer=(answer,)) for n, (ask, answer) in enumerate(pairs))
    return Questions(heading="Questions", intro=(), asked=asked)


ENGLISH = questions(
    ("Can I swim?", "Stay out of the pool."),
    ("Can I fly?", "Ask us before you fly."),
    ("Why oil?", "Oil makes hard wax softer."),
)
FRENCH = questions(("Puis-je nager à la piscine ?", "Oui."), ("Pourquoi de l'huile ?", "Elle ramollit le cérumen."))
UKRAINIAN = questions(("Чи можна плавати?", "Так."), ("Навіщо олія?", "Вона пом'якшує сірку."))
HINDI = questions(("क्या मैं तैर सकता हूँ?", "हाँ।"), ("तेल क्यों?", "तेल मैल को नरम करता है।"))
URDU = questions(("کیا میں تیر سکتا ہوں؟", "جی ہاں۔"), ("تیل کیوں؟", "تیل میل کو نرم کرتا ہے۔"))
ARABIC = questions(("هل يمكنني السباحة؟", "نعم."), ("لماذا الزيت؟", "الزيت يليّن الشمع."))
CHINESE = questions(("我可以游泳吗？", "不可以。"), ("为什么用油？", "油可以软化耳垢。"))
BENGALI = questions(("আমি কি সাঁতার কাটতে পারি?", "হ্যাঁ।"), ("তেল কেন?", "তেল ময়লা নরম করে।"))


@pytest.mark.parametrize(
    ("among", "typed", "found"),
    [
        (ENGLISH, "can i swim", "Can I swim?"),
        (ENGLISH, "SWIMMING", "Can I swim?"),
        (ENGLISH, "  the pool ", "Can I swim?"),
        (ENGLISH, "oils", "Why oil?"),
        (ENGLISH, "plane fly", "Can I fly?"),
        (FRENCH, "PISCINE", "Puis-je nager à la piscine ?"),
        (FRENCH, "cerumen", "Pourquoi de l'huile ?"),
        (FRENCH, "l’huile", "Pourquoi de l'huile ?"),
        (UKRAINIAN, "плавання", "Чи можна плавати?"),
        (UKRAINIAN, "Пом’якшує", "Навіщо олія?"),
        (HINDI, "तैर", "क्या मैं तैर सकता हूँ?"),
        (HINDI, "तेल", "तेल क्यों?"),
        (URDU, "تيل كيوں", "تیل کیوں؟"),  # typed with Arabic letters
        (CHINESE, "游泳", "我可以游泳吗？"),
        (CHINESE, "能不能去游泳池", "我可以游泳吗？"),
        (CHINESE, "油", "为什么用油？"),
        (BENGALI, "সাঁতার", "আমি কি সাঁতার কাটতে পারি?"),
        (ARABIC, "سباحة", "هل يمكنني السباحة؟"),
        (ARABIC, "الزَّيْت", "لماذا الزيت؟"),  # typed with vowel marks
    ],
)
def test_a_question_is_found_by_words_near_to_its_own(among: Questions, typed: str, found: str) -> None:
    result = search(among, typed)
    assert result.found
    assert [each.ask for each in result.asked] == [found]


@pytest.mark.parametrize("typed", ["", "   ", "zzz", "?!", "***", "\u200f", "x" * 500])
def test_without_a_find_every_question_is_shown(typed: str) -> None:
    result = search(ENGLISH, typed)
    assert not result.found
    assert result.asked == ENGLISH.asked


def test_the_found_questions_keep_their_order() -> None:
    assert [each.ask for each in search(ENGLISH, "can").asked] == ["Can I swim?", "Can I fly?"]


@pytest.mark.parametrize("typed", ["my face droops", "bleeding", "douleur", "swim but the pain is bad"])
def test_a_warning_word_of_any_language_is_noticed(typed: str) -> None:
    assert search(ENGLISH, typed).worried


@pytest.mark.parametrize("typed", ["", "swim", "oil"])
def test_other_words_raise_no_alarm(typed: str) -> None:
    assert not search(ENGLISH, typed).worried
