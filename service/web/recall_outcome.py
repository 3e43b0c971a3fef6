"""What came of the invitations of a time: counts with honest intervals, by groups and never by person."""

from __future__ import annotations

from datetime import date, timedelta

from flask import Blueprint, render_template, request

from service.domain.recall import Answer
from service.planning.recall_outcome import MOST, outcome
from service.web.access import needs
from service.web.app import the_services
from service.web.recall import ANSWERS
from service.web.shown import CHANNELS, language_name

bp = Blueprint("recall_outcome", __name__)

USUAL = timedelta(days=365)
"""The time of the report when none is chosen. Our choice."""


@bp.get("/recall/outcome")
@needs()
def show() -> str:
    """The report of a time; a day that cannot be read gives the usual time, and the page says which it shows."""
    services = the_services()
    today = services.day_of(services.clock.now())
    first, last = _day("from", today - USUAL), _day("to", today)
    with services.open_reading() as work:
        found = outcome(services, work, min(first, last), max(first, last))
    channels = {channel.value: name for channel, name in CHANNELS.items()}
    groups = [
        ("By channel", {channels.get(name, name): share for name, share in found.by_channel.items()}),
        ("By language", {language_name(name): share for name, share in found.by_language.items()}),
        ("By age", found.by_age),
        ("By the words of the invitation", {_words(name): share for name, share in found.by_wording.items()}),
    ]
    answers = [
        (ANSWERS[Answer(name)], [counts[number] for number in (1, 2, 3)]) for name, counts in found.answers.items()
    ]
    return render_template(
        "staff/recall_outcome.html",
        found=found,
        groups=groups,
        answers=answers,
        first=min(first, last),
        last=max(first, last),
        most=MOST,
    )


SENTENCES = {"text": "first", "second": "second", "last": "last", "words": "any"}
"""The sentences of an invitation, by the last part of their unit's name."""


def _words(name: str) -> str:
    """A group "cy, second-guardian, approved 2026-11-29" in words; the sentence's own name where it is another one."""
    language, _, rest = name.partition(", ")
    sentence, _, approved = rest.partition(", ")
    plain = sentence.removesuffix("-guardian")
    said = f"{SENTENCES[plain]} invitation" if plain in SENTENCES else plain
    to = ", about a child or ward" if sentence != plain else ""
    return f"{language_name(language)}: {said}{to}" + (f" ({approved})" if approved else "")


def _day(name: str, usual: date) -> date:
    try:
        return date.fromisoformat(request.args.get(name, ""))
    except ValueError:
        return usual
