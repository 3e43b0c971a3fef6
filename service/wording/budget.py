"""Does a text stay inside what the clinic allows for its kind of message, and if not, what is too much?"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from service.domain.budget import Budget
from service.domain.message import MessageKind
from service.domain.pack import Wording
from service.domain.revision import Texts
from service.domain.text_alphabet import LIMITS, Alphabet
from service.messages.i18n import run_on
from service.wording.reading_cost import ReadingCost, hardest, reading_cost
from service.wording.sending_cost import SendingCost, Sent, sending_cost

OTHER = "other"
"""The budget of every sentence that is not the text of a message: plan, sheet, mail."""

ENOUGH_TO_JUDGE = 10
"""Words from which on a grade is held against a budget; our choice. In fewer, one long word moves it by years."""

_KINDS = "|".join(kind.value for kind in MessageKind)
_TEXT_OF_MESSAGE = re.compile(rf"message\.({_KINDS})\.(?:text|second|last|moved|cancelled)(?:-.+)?")
_REPLY = re.compile(r"reply\.(?!subject$).+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What one unit costs in one language. `reading` is its hardest form; `sending` is None where no text is sent."""

    reading: ReadingCost
    sending: SendingCost | None


def budget_kind(unit_id: str) -> str:
    """Which budget a unit falls under: the kind of message whose whole text it is, or "other".

    Parts that are joined to one text ("message.part.dose") are "other": alone they are no text.

    Example:
        >>> budget_kind("message.plan-given.text-guardian"), budget_kind("message.greeting")
        ('plan-given', 'other')
    """
    if match := _TEXT_OF_MESSAGE.fullmatch(unit_id):
        return match[1]
    return MessageKind.REPLY.value if _REPLY.fullmatch(unit_id) else OTHER


def cost_of(
    unit: Wording,
    texts: Texts,
    language: str,
    values: Mapping[str, str] | None = None,
    *,
    after: Texts | None = None,
) -> Cost:
    """What `unit` costs with `texts` in `language`; `values` are the clinic's own (name, phone, link), `after` the
    texts of the unit that follows it in a text (`compose.followed_by`).

    Raises:
        ValueError: `texts` is empty.
    """
    reading = hardest(reading_cost(text, language, values) for plurals in texts.values() for text in plurals)
    if budget_kind(unit.id) == OTHER:
        return Cost(reading=reading, sending=None)
    if after:
        ending = next(iter(after.values()))[-1]
        texts = {form: tuple(run_on((text, ending)) for text in plurals) for form, plurals in texts.items()}
    return Cost(reading=reading, sending=sending_cost(texts, language, values, count=unit.count))


def over_budget(cost: Cost, budget: Budget) -> tuple[str, ...]:
    """One sentence for each thing that is over the budget; empty when nothing is."""
    sending = () if cost.sending is None else tuple(_parts(sent, budget) for sent in cost.sending.cases)
    return tuple(found for found in (*sending, _grade(cost.reading, budget), _sentence(cost.reading, budget)) if found)


def _parts(sent: Sent, budget: Budget) -> str:
    most = budget.parts if sent.alphabet is Alphabet.GSM7 else budget.parts_ucs2
    if most is None or sent.parts <= most:
        return ""
    units = sent.units - _room(sent, most)
    over = "1 character" if units == 1 else f"{units} characters"
    if sent.forced_by is None:
        return f"At worst it takes {sent.parts} text parts, and the most is {most}: shorten it by {over}."
    where = f"{{{sent.forced_in}}}" if sent.forced_in else "the wording"
    return (
        f"At worst it takes {sent.parts} text parts, and the most is {most} in UCS-2, "
        f"which “{sent.forced_by}” in {where} calls for: shorten it by {over}."
    )


def _room(sent: Sent, parts: int) -> int:
    """Units that so many parts hold."""
    limits = LIMITS[sent.alphabet]
    return limits.single if parts == 1 else parts * limits.each_of_many


def _grade(reading: ReadingCost, budget: Budget) -> str:
    if reading.formula is None or reading.score is None or reading.words < ENOUGH_TO_JUDGE:
        return ""
    limit = budget.hardest.get(reading.formula.id)
    if limit is None or not reading.formula.is_harder(reading.score, limit):
        return ""
    bound = "at most" if reading.formula.harder == "higher" else "at least"
    return (
        f"{reading.formula.name} gives {reading.score:.1f}, and {bound} {limit:g} is wanted: "
        "use shorter sentences and shorter words."
    )


def _sentence(reading: ReadingCost, budget: Budget) -> str:
    if reading.longest_words <= budget.sentence_words:
        return ""
    return (
        f"The longest sentence has {reading.longest_words} words, and {budget.sentence_words} are allowed: "
        f"“{reading.longest_sentence}”."
    )
