"""Which common questions fit one plan, and in which order? The plan decides: an answer never allows what it forbids."""

from __future__ import annotations

from collections.abc import Collection

from service.domain.pack import Pack, Question
from service.domain.plan import Plan
from service.domain.rules import Facts, holds
from service.domain.visit import Visit

QUESTIONS_FRAME = (
    "question.heading",
    "question.about",
    "question.you-means",
    "question.to-help",
    "question.find",
    "question.find-button",
    "question.found",
    "question.none-found",
    "question.worried",
    "question.all",
)
"""What is said around the common questions: without all of it in a language none of them is shown there."""


def questions_for(plan: Plan, visit: Visit, pack: Pack) -> tuple[Question, ...]:
    """The questions that fit this plan, the most important first; `visit` is the visit that the plan was made from.

    Of several that ask the same thing the one with the lowest `order` is given, whatever words are approved: an
    answer that cannot be said never makes room for a bolder one. Urgent advice stands alone, with no questions.
    """
    if plan.urgent:
        return ()
    ears = tuple(Facts.of(visit, side) for side in plan.ears)
    said, signs = units_said(plan), {sign.id for sign in plan.signs}
    kept: dict[str, Question] = {}
    for question in sorted(pack.questions.values(), key=lambda question: question.order):
        if question.ask not in kept and fits(question, ears, said, signs):
            kept[question.ask] = question
    return tuple(kept.values())


def fits(question: Question, ears: Collection[Facts], said: Collection[str], signs: Collection[str]) -> bool:
    """Whether a question fits these ears and a plan that says these wording units and shows these warning signs.

    An answer that leads to warning signs fits only a plan that shows one of them.
    """
    return (
        any(holds(question.when, facts) for facts in ears)
        and (question.unless is None or not any(holds(question.unless, facts) for facts in ears))
        and (not question.if_said or not question.if_said.isdisjoint(said))
        and question.unless_said.isdisjoint(said)
        and (not question.signs or not question.signs.isdisjoint(signs))
    )


def units_said(plan: Plan) -> frozenset[str]:
    """Every wording unit that the instructions of a plan say: its steps, what is normal, supplies and returns."""
    phrases = [phrase for step in plan.steps for phrase in step.phrases]
    phrases += [normal.phrase for normal in plan.normal]
    phrases += [phrase for supply in plan.supplies for phrase in supply.phrases]
    phrases += [phrase for back in plan.returns for phrase in back.phrases]
    return frozenset(phrase.wording for phrase in phrases)
