"""How does the patient's page look in the state that says one sentence group?

The page is rendered by the patient's own templates, for an invented person and a plan of the examples.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from flask import render_template

from service.domain.contact import Channel, Contact
from service.domain.plan import Phrase, Plan, Status
from service.domain.recall import Answer, Recall, Window
from service.domain.visit import Ears
from service.links import STAND_IN, page_url
from service.messages.i18n import direction
from service.messages.read_plan import followed, read_plan
from service.messages.reading import Reading
from service.messages.today import what_today
from service.messages.wordings import Wordings, unit_ids_of
from service.services import Services
from service.storage.records import StoredPlan
from service.web.patient import ERRORS
from service.web.patient_choices import PAUSES, Form, languages, places
from service.web.patient_questions import search
from service.web.patient_reading import Booked, as_of
from service.web.patient_recall import Invitation
from service.web.patient_words import OFFER, Voice, live, picture, tel

GIVEN = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
"""When the plans of the examples were given; any moment of that day would do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPage:
    """A page of the patient as one document, to put into a frame."""

    name: str
    html: str


class Listening(Wordings):
    """Remembers which units it said."""

    heard: set[str]

    def say(self, phrase: Phrase, language: str) -> str:
        """As `Wordings.say`."""
        self.heard |= unit_ids_of([phrase])
        return super().say(phrase, language)

    def hears(self, unit_id: str) -> bool:
        """Whether the unit was said since the last question; then listens anew."""
        found = unit_id in self.heard
        self.heard = set()
        return found


def people(services: Services, language: str) -> tuple[tuple[str, Contact], ...]:
    """The invented readers of a preview, each with what to call them."""
    grown = Contact(
        name="Sam Lee",
        given_name="Sam",
        language=language,
        zone=services.clinic.zone,
        phone="+447700900123",
        email="sam@example.org",
        address=("2 Elm Row", "Exampleton"),
        channels=(Channel.TEXT, Channel.EMAIL),
    )
    return (
        ("an adult", grown),
        ("a parent or carer", replace(grown, guardian="Alex Lee")),
        ("an adult who chose texts that name the ear and the drops", replace(grown, discreet=False)),
    )


def pages_with(
    services: Services, words: Listening, plan: Plan, reading: Reading, language: str, unit_id: str, in_reading: bool
) -> Iterator[ShownPage]:
    """The patient's page that has the unit on it, in the first state that says it."""
    for name, template, context in _states(services, words, plan, reading, unit_id):
        words.heard = set()
        stands_in = bool(context.pop("stands_in", False))
        html = render_template(
            f"patient/{template}",
            say=Voice(wordings=words, language=language, stands_in=stands_in),
            language=language,
            direction=direction(language),
            stands_in=stands_in,
            clinic=services.clinic,
            picture=picture,
            tel=tel,
            live=live,
            token=STAND_IN,
            **{"said": None, **context},
        )
        if words.hears(unit_id) or (in_reading and template == "plan.html"):
            yield ShownPage(name=name, html=html)
            return


def _states(
    services: Services, words: Wordings, plan: Plan, reading: Reading, unit_id: str
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """The pages and their states, those first in which the unit is most likely: name, template and what it needs."""
    language = reading.language
    contact = people(services, language)[0][1]
    if unit_id.startswith("page.gone"):
        yield "The page of a link that is over", "gone.html", {"tired": False}
        yield "The page after many wrong links", "gone.html", {"tired": True}
    if unit_id.startswith("page.change.") or unit_id in OFFER:
        yield from _change_states(services, contact, language)
    if unit_id.startswith("recall."):
        yield from _invitation_states(services, plan, reading, contact)
    if unit_id.startswith("page.said-"):
        yield (
            "The plan, after a change",
            "plan.html",
            {**_plan_state(services, plan, reading, contact), "said": unit_id},
        )
    if unit_id == "page.booked-change":
        day = GIVEN.date() + timedelta(weeks=3)
        card = Booked(visits=((day.isoformat(), "14:00"),))
        yield "The plan, a visit booked", "plan.html", {**_plan_state(services, plan, reading, contact), "booked": card}
    if unit_id == "page.drops-done":
        yield (
            "The plan after its drops",
            "plan.html",
            _plan_state(services, plan, reading, contact, days=400, over=words),
        )
    yield "The plan", "plan.html", _plan_state(services, plan, reading, contact)
    if not unit_id.startswith(("page.", "question.", "section.", "moment.", "agent.")):
        return
    for name, changes in (
        ("The plan, all doses of today done", {"done": True}),
        ("The plan on a later day", {"days": 1}),
        ("The plan after its drops", {"days": 400, "over": words}),
        ("The plan, messages stopped", {"stopped": True}),
        ("The plan during a pause", {"paused": True}),
        ("A plan on hold", {"status": Status.ON_HOLD}),
        ("A plan that has ended", {"status": Status.COMPLETED}),
        ("The plan in a language that stands in", {"stands_in": True}),
        ("The plan, a search with a find", {"typed": _some_word(reading)}),
        ("The plan, a search without a find", {"typed": "0000"}),
        ("The plan, a search that asks for help", {"typed": "pain"}),
    ):
        yield name, "plan.html", _plan_state(services, plan, reading, contact, **changes)
    yield "The page without a plan", "plan.html", _plan_state(services, None, None, contact)


def _plan_state(
    services: Services,
    plan: Plan | None,
    reading: Reading | None,
    contact: Contact,
    *,
    done: bool = False,
    days: int = 0,
    stopped: bool = False,
    paused: bool = False,
    stands_in: bool = False,
    status: Status = Status.ACTIVE,
    typed: str = "",
    over: Wordings | None = None,
) -> dict[str, Any]:
    """What the template needs. `over` words the plan anew: of a finished course nothing is said as if it ran."""
    now = GIVEN + timedelta(days=days)
    if paused:
        contact = replace(contact, paused_until=now.date() + timedelta(days=3))
    stored, today = None, None
    if plan is not None and reading is not None:
        stored = StoredPlan(
            id=STAND_IN, person_id=STAND_IN, visit_id=STAND_IN, status=status, plan=plan, given=GIVEN, by="",
            appointment=None, calendar_seed=STAND_IN,
        )  # fmt: skip
        if over is not None:
            left = as_of(stored, contact, None, now)
            again = read_plan(plan, over, reading.language, services.clinic, person=reading.person, as_of=left)
            reading = replace(reading, sections=again.sections)
        reading = followed(reading, status)
        if status is Status.ACTIVE and not plan.urgent:
            today = what_today(plan, contact, frozenset(), now, given=GIVEN)
            if done:
                marks = frozenset(dose.key for dose in today.doses)
                today = what_today(plan, contact, marks, now, given=GIVEN)
    return {
        "reading": reading,
        "stored": stored,
        "contact": contact,
        "stopped": stopped,
        "today": today,
        "search": search(reading.questions, typed) if reading is not None and reading.questions else None,
        "feed_url": page_url(services.clinic.base_url, STAND_IN),
        "stands_in": stands_in,
    }


def _invitation_states(
    services: Services, plan: Plan, reading: Reading, contact: Contact
) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """The plan with an invitation on it, and after each answer; the last page of whoever was not meant."""
    day = GIVEN.date()
    window = Window(ears=Ears.BOTH, earliest=day, ideal=day, latest=day, weight=1, template="")
    recall = Recall(
        id=STAND_IN,
        person_id=STAND_IN,
        plan_id=STAND_IN,
        window=window,
        invite_on=day + timedelta(weeks=4),
        opened=GIVEN,
    )
    weeks = tuple(days // 7 for days in services.pack.recall.later_days)
    state = _plan_state(services, plan, reading, contact)
    for name, given, online, later in (
        ("The plan, an invitation to answer", None, "", weeks),
        ("The plan, an invitation to book online", None, services.clinic.base_url, weeks),
        ("The plan, an invitation that must not wait", None, "", ()),
        ("The plan, after the answer: yes", Answer.BOOK, "", weeks),
        ("The plan, after the answer: later", Answer.LATER, "", weeks),
        ("The plan, after the answer: no", Answer.NO, "", weeks),
        ("The plan, after the answer: seen elsewhere", Answer.ELSEWHERE, "", weeks),
    ):
        asked = Invitation(recall=recall, given=given, later=later, online=online)
        yield name, "plan.html", {**state, "invitation": asked}
    cancelled = Booked(cancelled=((day + timedelta(weeks=3)).isoformat(), "14:00"))
    yield "The plan, a visit cancelled", "plan.html", {**state, "booked": cancelled}
    yield "The page after the wrong number or address", "wrong.html", {}


def _some_word(reading: Reading) -> str:
    """A word of the first question, if there is one."""
    return max(reading.questions.asked[0].ask.split(), key=len, default="") if reading.questions else ""


def _change_states(services: Services, contact: Contact, language: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    common = {
        "typed": Form(),
        "wrong": None,
        "stopped": False,
        "paused": None,
        "contact": contact,
        "channels": list(Channel),
        "languages": languages(services.catalogs.languages),
        "simpler": True,
        "places": places(language, (contact.zone, services.clinic.zone)),
        "pauses": PAUSES,
    }
    yield "The page for changes", "change.html", common
    yield "The page for changes during a pause", "change.html", {**common, "paused": GIVEN.date()}
    yield "The page for changes, stopped", "change.html", {**common, "stopped": True}
    for wrong in (*ERRORS, "other"):
        typed = Form({"what": _FIELDS.get(wrong, ""), "morning": "", "midday": "", "evening": "", "bedtime": ""})
        yield "The page for changes, refused", "change.html", {**common, "typed": typed, "wrong": wrong}
    yield "Before stopping", "stop.html", {"stopped": False}
    yield "After stopping", "stop.html", {"stopped": True}


_FIELDS = {"times": "times", "language": "language", "zone": "zone", "channels": "reach", "days": "pause"}
"""The form of the page for changes that each refusal belongs to."""
