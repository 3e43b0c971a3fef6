"""How does a patient meet this sentence group: in texts, mails, on the page, on the sheet, in the calendar?

The draft stands among the newest text of everything else. Plans come from `service/wording/examples.py`; people are
invented. Nothing is stored, and nothing in here can be sent: the link leads nowhere. `wording_pages.py` has the page.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta

from flask import current_app

from service.domain.booking import Booking, News, booking_message
from service.domain.calendar_item import CalendarItem
from service.domain.contact import Channel, Contact
from service.domain.message import ComposedMessage, MessageKind, PlannedMessage
from service.domain.plan import Phrase, Plan
from service.domain.recall import invitation_key, invitation_number
from service.domain.reply import answer_key
from service.domain.revision import Texts
from service.domain.schedule import lay_out
from service.domain.visit import Ears
from service.domain.wall_clock import zone_named
from service.links import STAND_IN, page_url
from service.messages.catalogs import Catalogs
from service.messages.compose import (
    Letter,
    Part,
    compose,
    compose_joined,
    followed_by,
    message_phrases,
    says_whole_plan,
)
from service.messages.i18n import BIDI_CONTROLS, plural_categories
from service.messages.read_plan import read_plan
from service.messages.reading import Reading
from service.messages.sheet import render_sheet
from service.messages.sms import BASIC, EXTENSION, PartCount, count_parts
from service.messages.wordings import unit_ids_of
from service.planning.calendar import UNITS, calendar_items
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.web.wording_pages import GIVEN, Listening, ShownPage, pages_with, people
from service.wording.book import Book
from service.wording.examples import Example, counting, phrase_of
from service.wording.plural_numbers import numbers_of
from service.wording.pseudo import CLOSE, OPEN, TAG, pseudo
from service.wording.sending_cost import shifted_parts

MOST_MESSAGES = 4
"""Messages shown of one channel. Our choice: a frame of every mail would otherwise fill the page."""
BOOKED = (date(2026, 12, 16), time(14, 30))
"""The appointment of the examples, three weeks after their visit."""
SHEET_ONLY = "sheet.link"
"""The one label of a reading that only the sheet shows."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sentence:
    """The unit by itself: in one form, and with a number of one plural form (None where it does not count, or where no
    whole number takes this form; `said` is then the text as it stands)."""

    form: str
    category: str
    number: int | None
    said: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownMessage:
    """One message word for word. `who` says for whom it is; `parts` is None for a mail; `joined`: of several."""

    kind: MessageKind
    who: str
    composed: ComposedMessage
    parts: PartCount | None
    joined: bool = False

    @property
    def shifted(self) -> int | None:
        """The parts with the national shift table, where the language has one that spares this text UCS-2."""
        return shifted_parts(self.composed.text, self.composed.language) if self.parts is not None else None

    @property
    def forced_by(self) -> str | None:
        """The first character that the plain alphabet lacks and somebody can see; isolates around values are not."""
        seen = (char for char in self.composed.text if char not in BASIC | EXTENSION | BIDI_CONTROLS)
        return next(seen, None) if self.parts is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Everything that the unit appears in. `stand_ins`: how many other sentences English stands in for here."""

    sentences: tuple[Sentence, ...]
    texts: tuple[ShownMessage, ...]
    mails: tuple[ShownMessage, ...]
    pages: tuple[ShownPage, ...]
    sheet: bool
    calendar: tuple[CalendarItem, ...]
    calendar_name: str
    stand_ins: int

    @property
    def nowhere(self) -> tuple[str, ...]:
        """The formats that do not use it."""
        there = {
            "text": self.texts, "e-mail": self.mails, "page": self.pages, "sheet": self.sheet,
            "calendar": self.calendar,
        }  # fmt: skip
        return tuple(name for name, found in there.items() if not found)


def words_with(
    services: Services, work: UnitOfWork, language: str, unit_id: str, said: Texts
) -> tuple[Listening, frozenset[str]]:
    """The newest text of everything in this language with `said` in its place; and which units the source language
    stands in for, because nobody has written them."""
    pack, source = services.pack, services.catalogs.source
    newest = _newest(services, work)
    texts: dict[tuple[str, str, str], tuple[str, ...]] = {}
    missing = set[str]()
    for other, unit in pack.wording.items():
        for form in unit.forms:
            english = newest.translation(source, other, form)
            assert english is not None, "the content has every source text"
            own = said[form] if other == unit_id else newest.translation(language, other, form)
            if own is None:
                missing.add(other)
                own = _standing_in(english, language, counts=unit.count is not None)
            texts[source, other, form] = english
            texts[language, other, form] = own
    return _listening(services, texts, (source, language)), frozenset(missing)


def pseudo_words_with(
    services: Services, work: UnitOfWork, unit_id: str, said: Texts, *, printed: bool = False
) -> Listening:
    """Everything in the pseudo-language, made from the newest source text, with `said` in the place of the unit; with
    plain brackets where it is `printed`, since the sheet's fonts lack the others."""
    brackets = str.maketrans({OPEN: "[", CLOSE: "]"} if printed else {})
    source, newest = services.catalogs.source, _newest(services, work)
    texts: dict[tuple[str, str, str], tuple[str, ...]] = {}
    for other, unit in services.pack.wording.items():
        for form in unit.forms:
            english = said[form] if other == unit_id else newest.translation(source, other, form)
            assert english is not None, "the content has every source text"
            texts[source, other, form] = english
            texts[TAG, other, form] = tuple(pseudo(text).translate(brackets) for text in english)
    return _listening(services, texts, (source, TAG))


def _listening(
    services: Services, texts: dict[tuple[str, str, str], tuple[str, ...]], languages: tuple[str, ...]
) -> Listening:
    both = tuple(dict.fromkeys(languages))
    digests = {(each, other): "preview" for each in both for other in services.pack.wording}
    catalogs = Catalogs(source=services.catalogs.source, languages=both, _texts=texts, _digests=digests)
    words = Listening(services.pack, catalogs, None, services.clinic.said())
    words.heard = set()
    return words


def _newest(services: Services, work: UnitOfWork) -> Catalogs:
    """The newest text of everything; put together anew only when the wording changed or a text came into force."""
    book, now = services.book(work), services.clock.now()
    kept: tuple[Book, datetime | None, Catalogs] | None = current_app.extensions.get("wording-newest")
    if kept is None or kept[0] is not book or (kept[1] is not None and kept[1] <= now):
        kept = (book, book.changes_after(now), book.drafts(now))
        current_app.extensions["wording-newest"] = kept
    return kept[2]


def _standing_in(english: tuple[str, ...], language: str, *, counts: bool) -> tuple[str, ...]:
    if not counts:
        return english[-1:]
    return tuple(english[0] if name == "one" else english[-1] for name in plural_categories(language))


def show(
    services: Services,
    words: Listening,
    missing: Iterable[str],
    example: Example,
    language: str,
    unit_id: str,
    number: int | None,
) -> Shown:
    """The unit in every format. `number` is put in where the unit counts; None keeps the plan's own."""
    unit = services.pack.wording[unit_id]
    plan = example.plan
    if unit.count is not None and number is not None:
        plan = counting(plan, unit_id, unit.count, number)
    reading = _reading(services, words, plan, example, language, unit_id)
    stand_ins, in_reading = len(words.heard & set(missing)), words.hears(unit_id)
    on_page = in_reading and unit_id != SHEET_ONLY
    said = _messages(services, words, plan, language, unit_id)
    items, name = _calendar(services, words, plan, language, unit_id)
    return Shown(
        sentences=tuple(_sentences(services, words, example, language, unit_id)),
        texts=tuple(each for each in said if each.parts is not None),
        mails=tuple(each for each in said if each.parts is None),
        pages=tuple(pages_with(services, words, plan, reading, language, unit_id, on_page)),
        sheet=in_reading,
        calendar=items,
        calendar_name=name,
        stand_ins=stand_ins,
    )


def sheet_pdf(
    services: Services, words: Listening, example: Example, language: str, unit_id: str, number: int | None
) -> bytes:
    """The printed sheet of the example."""
    unit, plan = services.pack.wording[unit_id], example.plan
    if unit.count is not None and number is not None:
        plan = counting(plan, unit_id, unit.count, number)
    reading = _reading(services, words, plan, example, language, unit_id)
    link = page_url(services.clinic.base_url, STAND_IN)
    most = services.pack.questions_on_sheet
    return render_sheet(reading, link=link, draft_note="Preview. An invented plan.", questions=most)


# --- one format each --------------------------------------------------------------------------------------------------


def _sentences(
    services: Services, words: Listening, example: Example, language: str, unit_id: str
) -> Iterator[Sentence]:
    unit, own = services.pack.wording[unit_id], services.clinic.said()
    phrase = phrase_of(services.pack, unit_id, example, language, own)
    for form in ("any", "right", "left", "both"):
        if form not in unit.forms:
            continue
        placed = replace(phrase, ears=None if form == "any" else Ears(form))
        if unit.count is None:
            yield Sentence(form=form, category="", number=None, said=words.say(placed, language))
            continue
        for numbers in numbers_of(language):
            number, said = numbers.usual, ""
            if number is not None:
                said = words.say(replace(placed, values={**placed.values, unit.count: number}), language)
            yield Sentence(form=form, category=numbers.category, number=number, said=said)


def _messages(services: Services, words: Listening, plan: Plan, language: str, unit_id: str) -> list[ShownMessage]:
    """The first messages that say the unit, of each channel."""
    found: list[ShownMessage] = []
    counts = dict.fromkeys(Channel, 0)
    for who, contact, planned, letter in _sending(services, plan, language) if unit_id != SHEET_ONLY else ():
        own = unit_ids_of(message_phrases(planned, contact, letter))
        own |= {after for unit in own if (after := followed_by(unit))}
        topic = "reply" if planned.kind is MessageKind.REPLY else f"message.{planned.kind}"
        for channel in (Channel.TEXT, Channel.EMAIL):
            if counts[channel] >= MOST_MESSAGES or (channel is Channel.TEXT and unit_id not in own):
                continue
            # What stands in every mail is shown in a mail of its own and in one with the whole plan.
            framed = channel is Channel.EMAIL and unit_id not in own and unit_id != f"{topic}.subject"
            if framed and not (who == "an adult" and planned.kind in _FRAMED):
                continue
            words.heard = set()
            composed = compose(planned, plan, contact, services.clinic, words, channel, letter)
            if not words.hears(unit_id) or (unit_id == "message.more" and says_whole_plan(planned.kind, channel)):
                continue
            if any(each.composed.text == composed.text for each in found):
                continue
            parts = count_parts(composed.text) if channel is Channel.TEXT else None
            found.append(ShownMessage(kind=planned.kind, who=who, composed=composed, parts=parts))
            counts[channel] += 1
    if unit_id.startswith(("message.part.", "message.joined.")):
        found += _joined(services, words, plan, language, unit_id)
    return found


_FRAMED = frozenset({MessageKind.PLAN_GIVEN, MessageKind.URGENT, MessageKind.CHECK_IN})


def _sending(services: Services, plan: Plan, language: str) -> Iterator[tuple[str, Contact, PlannedMessage, Letter]]:
    """The first message of every kind and every invitation, for every reader: with an appointment and without; and the
    answers."""
    link = page_url(services.clinic.base_url, STAND_IN)
    booked = (BOOKED[0].isoformat(), BOOKED[1].isoformat("minutes"))
    back = plan.next_return.on if plan.next_return is not None else plan.on
    asked = [(invitation_key(1, number), back + timedelta(weeks=2 * number)) for number in (1, 2, 3)]
    for who, contact in people(services, language):
        seen = set[tuple[MessageKind, int]]()
        for appointment in (None, BOOKED):
            letter = Letter(link=link, pack=plan.pack, booked=booked if appointment else None)
            laid_out = lay_out(
                plan, contact, services.pack.timing, given=GIVEN, appointment=appointment, invitations=asked
            )
            for planned in laid_out:
                number = invitation_number(planned.key) if planned.kind is MessageKind.RETURN_DUE else 1
                if (planned.kind, number) not in seen:
                    seen.add((planned.kind, number))
                    yield who, contact, planned, letter
        for news in News:
            booking = Booking(sequence=0, news=news, appointment=BOOKED if news is not News.CANCELLED else None)
            zone, timing = zone_named(contact.zone), services.pack.timing
            told = booking_message(booking, BOOKED, contact, timing, zone, by_letter=False, now=GIVEN)
            if told is not None:
                yield who, contact, told, Letter(link=link, pack=plan.pack)
    who, contact = people(services, language)[0]
    for unit in services.pack.wording:
        if unit.startswith("reply.") and unit != "reply.subject":
            answer = PlannedMessage(
                key=answer_key(unit, Channel.TEXT, "preview"),
                kind=MessageKind.REPLY,
                due=GIVEN,
                earliest=GIVEN,
                last_useful=GIVEN + timedelta(hours=1),
                wall="2026-11-25T10:00",
                zone=contact.zone,
            )
            yield who, contact, answer, Letter(link=link, pack=plan.pack)


def _joined(services: Services, words: Listening, plan: Plan, language: str, unit_id: str) -> list[ShownMessage]:
    """One message that joins several: of one person, and of two who share a number."""
    kinds = (MessageKind.DOSE, MessageKind.CHECK_IN, MessageKind.COURSE_END, MessageKind.RETURN_DUE,
             MessageKind.APPOINTMENT)  # fmt: skip
    found, (adult, guardian, _) = [], people(services, language)
    for who, contact in (adult, guardian):
        parts = {
            planned.kind: Part(planned=planned, contact=contact, letter=letter)
            for name, _, planned, letter in _sending(services, plan, language)
            if name == who and planned.kind in kinds
        }
        if len(parts) < 2:
            continue
        for channel in (Channel.TEXT, Channel.EMAIL):
            words.heard = set()
            composed = compose_joined(list(parts.values()), services.clinic, words, channel)
            if words.hears(unit_id):
                counted = count_parts(composed.text) if channel is Channel.TEXT else None
                first = next(iter(parts))
                found.append(ShownMessage(kind=first, who=who, composed=composed, parts=counted, joined=True))
    return found


def _calendar(
    services: Services, words: Listening, plan: Plan, language: str, unit_id: str
) -> tuple[tuple[CalendarItem, ...], str]:
    """The items that say the unit: under neutral titles, or under a guardian's or open ones where only those say it."""
    found: list[CalendarItem] = []
    for _, contact in people(services, language):
        for appointment in (None, BOOKED):
            words.heard = set()
            items = calendar_items(
                plan,
                contact,
                words,
                language,
                link=page_url(services.clinic.base_url, STAND_IN),
                given=GIVEN,
                appointment=appointment,
                clinic=services.clinic,
            )
            if words.hears(unit_id) or unit_id == "calendar.name":
                found += [item for item in items if _fits(item, unit_id)]
        if found:
            break
    kept = {(item.key.partition("/")[0], item.title, item.kind): item for item in found}
    name = words.say(Phrase(wording="calendar.name"), language)
    return (tuple(kept.values()), name) if unit_id in UNITS or kept else ((), name)


def _fits(item: CalendarItem, unit_id: str) -> bool:
    kind = unit_id.removeprefix("calendar.").removesuffix("-guardian")
    return kind == unit_id or kind in ("name", "details") or kind == item.kind


def _reading(
    services: Services, words: Listening, plan: Plan, example: Example, language: str, unit_id: str
) -> Reading:
    words.heard = set()
    booked = (BOOKED[0].isoformat(), BOOKED[1].isoformat("minutes")) if unit_id == "return.booked" else None
    person = "Sam" if unit_id in ("page.title-person", "page.you-means", "question.you-means") else ""
    return read_plan(plan, words, language, services.clinic, person=person, booked=booked, questions=example.questions)
