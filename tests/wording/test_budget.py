"""Are the budgets complete, and does a text over budget get one clear sentence for each thing that is too much?"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from builders import the_catalogs

from service.content.loader import load_pack
from service.domain.budget import Budget
from service.domain.message import MessageKind
from service.domain.pack import Forms, Pack, Wording
from service.messages.compose import followed_by
from service.wording.book import Book
from service.wording.budget import OTHER, budget_kind, cost_of, over_budget
from service.wording.readability import FORMULAS

ROOM = Budget(id="test", parts=1, parts_ucs2=1, sentence_words=20, hardest={"flesch-kincaid": 6.0}, why="a test")
NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
CLINIC = {
    "clinic": "Larkfield Ear Care",
    "phone": "020 7946 0123",
    "emergency": "999",
    "urgent_line": "111",
    "link": "https://larkfield.example/p/" + "x" * 22,
}


@pytest.fixture(scope="module")
def pack() -> Pack:
    return load_pack(Path(__file__).parents[2] / "content" / "core")


def a_unit(text: str, unit_id: str = "message.dose.text") -> Wording:
    return Wording(id=unit_id, topic="message", forms={"any": Forms(other=text)})


def over(text: str, budget: Budget = ROOM, language: str = "en", unit_id: str = "message.dose.text") -> tuple[str, ...]:
    return over_budget(cost_of(a_unit(text, unit_id), {"any": (text,)}, language, CLINIC), budget)


def test_every_kind_of_message_and_the_rest_has_a_budget(pack: Pack) -> None:
    assert pack.budgets.keys() == {*(kind.value for kind in MessageKind), OTHER}


def test_a_budget_bounds_parts_exactly_where_texts_are_sent(pack: Pack) -> None:
    for kind, budget in pack.budgets.items():
        assert (budget.parts is None) == (kind == OTHER)
        assert budget.parts is None or budget.parts_ucs2 is None or budget.parts <= budget.parts_ucs2
        assert budget.why.startswith("our choice"), kind


def test_every_formula_has_a_limit_in_every_budget_and_no_other_has(pack: Pack) -> None:
    for budget in pack.budgets.values():
        assert budget.hardest.keys() == {formula.id for formula in FORMULAS.values()}


def test_the_shipped_english_messages_are_within_budget_for_a_clinic_with_a_short_name(pack: Pack) -> None:
    found = {}
    for unit in pack.wording.values():
        kind = budget_kind(unit.id)
        if kind != OTHER:
            texts = {form: (forms.other,) for form, forms in unit.forms.items()}
            last = followed_by(unit.id)
            after = {"any": (pack.wording[last].forms["any"].other,)} if last else None
            found[unit.id] = over_budget(cost_of(unit, texts, "en", CLINIC, after=after), pack.budgets[kind])
    assert {unit: sentences for unit, sentences in found.items() if sentences} == {}


@pytest.mark.parametrize(
    ("unit", "kind"),
    [
        ("message.plan-given.text", "plan-given"),
        ("message.plan-given.text-guardian", "plan-given"),
        ("message.plan-given.subject", OTHER),
        ("message.dose.text-open", "dose"),
        ("message.part.dose", OTHER),
        ("message.greeting", OTHER),
        ("reply.urgent", "reply"),
        ("reply.subject", OTHER),
        ("warning.deep-pain", OTHER),
    ],
)
def test_a_unit_falls_under_the_budget_of_its_message(unit: str, kind: str) -> None:
    assert budget_kind(unit) == kind


def test_an_invitation_is_judged_with_the_words_that_follow_it_in_a_text() -> None:
    unit = a_unit("x" * 100, "message.return-due.text")
    alone = cost_of(unit, {"any": ("x" * 100,)}, "en", CLINIC)
    whole = cost_of(unit, {"any": ("x" * 100,)}, "en", CLINIC, after={"any": ("y" * 60,)})
    assert alone.sending is not None and whole.sending is not None
    assert whole.sending.worst.text == f"{'x' * 100} {'y' * 60}"  # as compose puts them
    assert (alone.sending.worst.parts, whole.sending.worst.parts) == (1, 2)
    assert whole.reading == alone.reading
    assert (over_budget(alone, ROOM), len(over_budget(whole, ROOM))) == ((), 1)


@pytest.mark.parametrize("form", ["text", "second", "last", "text-guardian", "second-guardian", "last-guardian"])
def test_every_invitation_is_followed_by_the_words_to_answer_with(form: str, pack: Pack) -> None:
    assert followed_by(f"message.return-due.{form}") == "message.return-due.words"
    entry = Book(pack, the_catalogs()).entry("en", f"message.return-due.{form}", NOW)
    assert entry.after == {"any": ("Or answer with one word: BOOK, LATER or NO.",)}


@pytest.mark.parametrize("unit", ["message.return-due.words", "message.return-due.subject", "message.dose.text"])
def test_nothing_follows_any_other_text(unit: str, pack: Pack) -> None:
    assert followed_by(unit) is None
    assert Book(pack, the_catalogs()).entry("en", unit, NOW).after is None


def test_what_is_within_budget_gets_no_sentence() -> None:
    assert over("Put the drops in now.") == ()


def test_too_many_parts_say_how_many_and_how_much_to_cut() -> None:
    assert over("Now. " * 40) == ("At worst it takes 2 text parts, and the most is 1: shorten it by 40 characters.",)


def test_a_dear_character_is_named_with_the_placeholder_that_brought_it() -> None:
    assert over("Now. " * 13 + "{person}") == (
        "At worst it takes 2 text parts, and the most is 1 in UCS-2, which “ł” in {person} calls for: "
        "shorten it by 5 characters.",
    )


def test_each_alphabet_has_its_own_budget() -> None:
    roomy = replace(ROOM, parts_ucs2=2)
    assert over("Now. " * 12 + "{person}", roomy) == ()


def test_a_hard_grade_names_the_formula_and_the_limit() -> None:
    (sentence,) = over(
        "Unfortunately, tympanic perforation necessitates immediate consultation with our department now."
    )
    assert sentence.startswith("Flesch-Kincaid grade gives ") and "at most 6 is wanted" in sentence


def test_a_scale_that_runs_the_other_way_is_held_the_other_way() -> None:
    budget = replace(ROOM, parts=9, parts_ucs2=9, hardest={"szigriszt-pazos": 65.0})
    hard = "La otorrinolaringología contemporánea necesita explicaciones adicionales para cada procedimiento terapéutico realizado."
    (sentence,) = over(hard, budget, "es")
    assert "at least 65 is wanted" in sentence
    assert over("Su cita es el martes y le vemos a las diez.", budget, "es") == ()


def test_a_label_of_a_few_words_is_not_graded() -> None:
    assert over("Emergency: telephone immediately") == ()


def test_a_language_without_a_formula_is_still_held_to_its_longest_sentence() -> None:
    (sentence,) = over("gair " * 21, replace(ROOM, parts=9, parts_ucs2=9), "cy")
    assert sentence.startswith("The longest sentence has 21 words, and 20 are allowed: “gair ")


def test_a_sentence_of_the_sheet_costs_no_parts() -> None:
    cost = cost_of(a_unit("x" * 500, "care.keep-dry"), {"any": ("x" * 500,)}, "en")
    assert cost.sending is None


def test_a_budget_needs_both_alphabets_or_neither() -> None:
    with pytest.raises(ValueError, match="come together"):
        replace(ROOM, parts_ucs2=None)
    with pytest.raises(ValueError, match="at least 1"):
        replace(ROOM, parts=0)
