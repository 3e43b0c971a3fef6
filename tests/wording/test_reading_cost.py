"""Does the reading cost measure the wording, and not what placeholders, links and numbers look like?"""

from __future__ import annotations

import pytest

from service.wording.reading_cost import WHOLE_PASSAGE, count, hardest, reading_cost

PLAN = "{clinic}: here is your plan: {link} Keep this link. If you feel worse, contact us: {phone}."


def test_an_english_text_has_a_named_grade_and_says_that_higher_is_harder() -> None:
    cost = reading_cost("Do not eat on that side for two hours. Brush as normal from tomorrow.", "en")
    assert cost.formula is not None and cost.formula.id == "flesch-kincaid"
    assert cost.says == "Flesch-Kincaid grade: 1.5 (higher is harder, an estimate from a short text)"


def test_a_spanish_text_says_that_lower_is_harder() -> None:
    assert "lower is harder" in reading_cost("Su cita es el martes. Traiga su tarjeta.", "es").says


@pytest.mark.parametrize("language", ["cy", "ar", "ur", "hi", "bn", "ro", "uk", "zh-Hans"])
def test_a_language_without_a_formula_gets_no_score_and_a_reason(language: str) -> None:
    cost = reading_cost("{clinic}. {date}.", language)
    assert cost.score is None and cost.says.startswith("no published formula is used for this language")


def test_a_placeholder_is_read_as_a_typical_value_and_not_as_its_name() -> None:
    cost = reading_cost(PLAN, "en")
    assert cost.sentences == 3
    assert "{" not in cost.longest_sentence and "Larkfield" in reading_cost("{clinic}: hello.", "en").longest_sentence


def test_the_clinics_own_values_take_the_place_of_typical_ones() -> None:
    assert reading_cost("{clinic} is here.", "en", {"clinic": "Heron"}).longest_sentence == "Heron is here."


def test_a_longer_link_or_number_changes_no_grade() -> None:
    short = reading_cost(PLAN, "en", {"link": "https://a.example/p/x", "phone": "01632-960001"})
    long = reading_cost(PLAN, "en", {"link": "https://a.example.org/p/" + "x" * 60, "phone": "+44-1632-960001"})
    assert short.score == long.score


def test_names_numbers_and_links_are_no_hard_words() -> None:
    cost = reading_cost("{clinic}: {person} needs a grommet. Text STOP or see {link}", "en", {"person": "Władysława"})
    assert cost.hard_words == ("grommet",)


def test_the_longest_sentence_is_shown_with_its_words() -> None:
    cost = reading_cost("Stop. Please keep the ear dry for two weeks. Then swim.", "en")
    assert (cost.longest_words, cost.longest_sentence) == (8, "Please keep the ear dry for two weeks.")


def test_a_passage_of_a_hundred_words_is_no_estimate() -> None:
    assert not reading_cost("Keep the ear dry now. " * (WHOLE_PASSAGE // 5), "en").estimate


def test_nothing_to_read_is_not_an_error() -> None:
    cost = reading_cost("", "en")
    assert (cost.words, cost.score, cost.lix, cost.longest_sentence) == (0, None, None, "")
    assert cost.says == "there is nothing to read"


def test_chinese_has_words_and_no_lix() -> None:
    cost = reading_cost("请联系我们。", "zh-Hans")
    assert (cost.words, cost.lix) == (3, None)


def test_lix_is_given_where_no_formula_is() -> None:
    assert reading_cost("Cadwch y glust yn sych.", "cy").lix == 5.0


def test_the_hardest_of_several_texts_is_found_whichever_way_the_scale_runs() -> None:
    easy, hard = "Su cita es el martes.", "La otorrinolaringología contemporánea necesita indudablemente explicaciones."
    assert hardest([reading_cost(text, "es") for text in (easy, hard)]).longest_sentence == hard
    assert hardest([reading_cost(text, "cy") for text in ("Un dau.", "Un dau tri.")]).longest_sentence == "Un dau tri."


def test_a_number_counts_as_one_word_of_one_syllable_and_no_letters() -> None:
    counts = count("Call 111.", "en")
    assert (counts.words, counts.syllables, counts.letters) == (2, 2, 4)
