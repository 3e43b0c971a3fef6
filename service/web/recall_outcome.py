"""What came of the invitations of a time: counts with honest intervals, by groups and never by person."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import date, timedelta

from flask import Blueprint, render_template, request

from service.domain.recall import Answer
from service.domain.uptake import AGE_BANDS, Group, Words, age_band
from service.planning.recall_outcome import MOST, outcome
from service.web.access import needs
from service.web.app import the_services
from service.web.recall import ANSWERS
from service.web.shown import CHANNELS, day, moment
from service.web.wording import in_english

bp = Blueprint("recall_outcome", __name__)

USUAL = timedelta(days=365)
"""The time of the report when none is chosen. Our choice."""
YEARS = range(1900, 9999)
"""Years of a day that can be asked for; the ends of the calendar have no day before or after them."""
BANDS = (*(name for _, name in AGE_BANDS), age_band(None))
"""The bands of age as the page lists them: the youngest first, and last those whose age is not known."""
NO_ANSWER = "came or booked without an answer by message or page"


@bp.get("/recall/outcome")
@needs()
def show() -> str:
    """The report of a time; a day that cannot be read gives the usual time, and the page says which it shows."""
    services = the_services()
    today = services.day_of(services.clock.now())
    first, last = sorted((_day("from", today - USUAL), _day("to", today)))
    with services.open_reading() as work:
        found = outcome(services, work, first, last)
    channels = {channel.value: name for channel, name in CHANNELS.items()}
    groups = [
        ("By channel", [(channels.get(name, name), group) for name, group in found.by_channel.items()]),
        ("By language", [(in_english(name), group) for name, group in found.by_language.items()]),
        ("By age", [(band, found.by_age[band]) for band in BANDS if band in found.by_age]),
        ("By the words of the invitation", in_words(found.by_words)),
    ]
    return render_template(
        "staff/recall_outcome.html",
        found=found,
        groups=groups,
        answers=_answers(found.answers),
        first=first,
        last=last,
        most=MOST,
    )


def _answers(answers: Mapping[str, Counter[int]]) -> list[tuple[str, list[int]]]:
    """The answers in the order in which an invitation offers them, each with how often it followed which invitation."""
    names = {answer.value: ANSWERS[answer] for answer in Answer} | {"": NO_ANSWER}
    return [(said, [answers[name][number] for number in (1, 2, 3)]) for name, said in names.items() if name in answers]


SENTENCES = {
    "text": "first invitation",
    "second": "second invitation",
    "last": "last invitation",
    "": "sentence not on record",
}
"""The sentences of an invitation in words, by the last part of their unit's name."""


def in_words(groups: Mapping[Words, Group]) -> list[tuple[str, Group]]:
    """The groups by words of the invitation, each with its name for staff: the language, which sentence, and the
    clinic's day on which that text was approved; with the time where two texts of one sentence share the day."""
    days = Counter(_name(words, _day_of(words)) for words in groups)
    found = []
    for words, group in groups.items():
        name = _name(words, _day_of(words))
        found.append((name if days[name] == 1 else _name(words, moment(words.approved)), group))
    return found


def _day_of(words: Words) -> str:
    """The clinic's day of the approval, in words; empty without one."""
    return day(the_services().day_of(words.approved)) if words.approved is not None else ""


def _name(words: Words, approved: str) -> str:
    """A sentence that is not known here goes by its own name."""
    sentence, _, easy = words.sentence.partition("~")
    plain = sentence.removesuffix("-guardian")
    said = [SENTENCES.get(plain, plain)]
    if sentence != plain:
        said.append("about a child or ward")
    if easy:
        said.append("in simpler words")
    return f"{in_english(words.language)}: {', '.join(said)}" + (f" (approved {approved})" if approved else "")


def _day(name: str, usual: date) -> date:
    try:
        found = date.fromisoformat(request.args.get(name, ""))
    except ValueError:
        return usual
    return found if found.year in YEARS else usual
