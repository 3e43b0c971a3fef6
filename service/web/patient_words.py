"""In which words does the patient's page speak? One language a page, approved units only, numbers one can tap."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from markupsafe import Markup

from service import pictograms
from service.domain.contact import WAYS, Contact
from service.domain.plan import Phrase, Plan
from service.domain.visit import Ears
from service.messages.read_plan import units_of
from service.messages.wordings import Wordings
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.web.app import the_services

OFFER = ("easy.offer", "easy.tick")
"""The units that offer simpler sentences. The page does without them where they are not approved."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Voice:
    """Says wording units in the one language of a page. `stands_in`: not the language that the person asked for."""

    wordings: Wordings
    language: str
    stands_in: bool = False

    def __call__(self, unit: str, ears: str | None = None, **values: int | str | tuple[str, ...]) -> str:
        """The unit's text. Raises WordingError."""
        phrase = Phrase(wording=unit, ears=Ears(ears) if ears else None, values=values)
        return self.wordings.say(phrase, self.language)


def frame_units(services: Services) -> set[str]:
    """The units of every page: those of the plan's page and of the bar."""
    units = {unit for unit in services.pack.wording if unit.startswith("page.") and not unit.startswith("page.change.")}
    return units | {"section.help", *WAYS.values()}


def change_units(services: Services) -> set[str]:
    """The units of the pages on which the person changes things."""
    return frame_units(services) | {unit for unit in services.pack.wording if unit.startswith("page.change.")}


def offers_simpler(voice: Voice, contact: Contact) -> bool:
    """Whether the page asks about simpler sentences: when its words are approved and there is a sentence to simplify,
    and always when somebody gets them, so that they can be taken back."""
    wordings, language = voice.wordings, voice.language
    return wordings.usable(language, OFFER) and (contact.easy_read or wordings.has_simpler(language))


def recall_units(services: Services) -> set[str]:
    """The units of an invitation on the page."""
    return {unit for unit in services.pack.wording if unit.startswith("recall.")}


def plan_units(services: Services, plan: Plan) -> set[str]:
    """The units of a plan's page."""
    moments = {f"moment.{m}" for course in plan.courses for phase in course.phases for m in phase.moments}
    agents = {f"agent.{course.agent}.name" for course in plan.courses}
    return frame_units(services) | units_of(plan) | moments | agents


def voice_for(services: Services, work: UnitOfWork, wanted: str, units: set[str], *, easy: bool = False) -> Voice:
    """The wanted language, or the approved source language; `easy`: in simpler sentences where there are any. Raises
    WordingError when even the source lacks a unit."""
    wordings = services.wordings(work).for_reader(easy=easy)
    choice = wordings.choose_language(wanted, units)
    return Voice(wordings=wordings, language=choice.language, stands_in=choice.fallback)


@cache
def picture(name: str) -> Markup:
    """A pictogram without its English title, which a browser would show over the words of another language."""
    return Markup(re.sub(r"<title>.*?</title>", "", pictograms.svg(name), flags=re.DOTALL))  # noqa: S704 - our files


def tel(number: str) -> str | None:
    """A number as it stands in a tel: link (RFC 3966): digits with a leading plus kept; None without any digit."""
    first = re.search(r"\+?\d[\d\s().-]*", number)
    return re.sub(r"[^+\d]", "", first[0]) if first else None


def live(sentence: str) -> Markup:
    """A sentence whose numbers and address of the clinic can be tapped, and never break over two lines."""
    clinic = the_services().clinic
    targets = {number: f"tel:{tel(number)}" for number in (clinic.phone, clinic.emergency, clinic.urgent_line)}
    targets = {clinic.text_number: f"sms:{tel(clinic.text_number)}"} | targets  # a number that does both is phoned
    targets = {number: target for number, target in targets.items() if tel(number)}
    if clinic.email:
        targets[clinic.email] = f"mailto:{clinic.email}"
    either = "|".join(re.escape(text) for text in sorted(targets, key=len, reverse=True))
    if not either:
        return Markup("").join([sentence])
    # Chinese sets no space beside a number, so only other digits and Latin letters make it another one.
    found = re.split(rf"(?<![0-9A-Za-z+])({either})(?![0-9A-Za-z])({_MARKS})", sentence)
    pieces = [found[0]]
    for text, marks, after in zip(found[1::3], found[2::3], found[3::3], strict=True):
        pieces += [_link(targets[text], text, marks), after]
    return Markup("").join(pieces)


_MARKS = "[\u2066-\u2069\u200e\u200f]*[.,:;!?)»”،؛؟۔।。，、：；！？）]*"
"""Marks after a number, with the ends of isolates: they never begin a line. Latin, Arabic, Urdu, Indic, Chinese."""


def _link(target: str, text: str, marks: str) -> Markup:
    kind = "mail" if target.startswith("mailto:") else "number"
    link = Markup('<a class="{}" dir="ltr" href="{}">{}</a>').format(kind, target, text)
    return Markup('<span class="whole">{}{}</span>').format(link, marks) if marks and kind == "number" else link + marks
