"""One planned message in the exact words in which it goes out, for one channel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.domain.booking import booking_of
from service.domain.contact import Channel, Clinic, Contact
from service.domain.message import Attachment, ComposedMessage, DosePart, MessageKind, PlannedMessage
from service.domain.plan import Phrase, Plan
from service.domain.recall import invitation_number
from service.domain.reply import unit_said
from service.messages.i18n import direction, run_on
from service.messages.layout import environment
from service.messages.read_plan import FOOTER, FOOTER_UNITS, AsOf, read_plan, units_of
from service.messages.reading import Reading
from service.messages.wordings import LanguageChoice, Wordings, unit_ids_of

_MAIL = ("message.greeting", "message.footer", "message.no-details", "message.more")
_WHOLE_PLAN = frozenset({MessageKind.PLAN_GIVEN, MessageKind.URGENT})
_WITH_NUMBER = frozenset({MessageKind.APPOINTMENT, MessageKind.CHECK_IN})
"""Reminders that say by themselves whom to call, to change something or if worried. When they are joined, one sentence
at the end says it for all; a dose by itself has none."""

_INVITATIONS = {1: "text", 2: "second", 3: "last"}
"""How each invitation of a round is worded."""
_INVITATION, _ANSWER_WORDS = "message.return-due.", "message.return-due.words"


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """What a composed message needs beside its sentences: where the plan's page is, and the files that go along.
    `pack` is the content that the plan was made from; `as_of` what is left of a plan that the message repeats."""

    link: str
    pack: str
    attachments: tuple[Attachment, ...] = ()
    unsubscribe: str | None = None
    booked: tuple[str, str] | None = None
    as_of: AsOf | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One of several reminders that are said in one message."""

    planned: PlannedMessage
    contact: Contact
    letter: Letter


def compose(
    planned: PlannedMessage,
    plan: Plan | None,
    contact: Contact,
    clinic: Clinic,
    wordings: Wordings,
    channel: Channel,
    letter: Letter,
) -> ComposedMessage:
    """The message in the person's language, or wholly in the approved source language when anything is not approved.

    `wordings` must know the clinic's own values (clinic, phone, ...) and `link`. `plan` may be left out where the
    message does not repeat it (`says_whole_plan`). Raises WordingError when not even the source language is approved.
    """
    whole = plan if says_whole_plan(planned.kind, channel) else None
    phrases = message_phrases(planned, contact, letter)
    if channel is Channel.TEXT:
        phrases += [Phrase(wording=after) for phrase in phrases if (after := followed_by(phrase.wording))]
    topic = "reply" if planned.kind is MessageKind.REPLY else f"message.{planned.kind}"
    return _written(f"{topic}.subject", phrases, whole, contact, clinic, wordings, channel, letter)


def followed_by(unit_id: str) -> str | None:
    """The unit that follows this one wherever it goes as a text: an invitation ends with the words to answer it."""
    form = unit_id.removeprefix(_INVITATION).removesuffix("-guardian")
    return _ANSWER_WORDS if unit_id.startswith(_INVITATION) and form in _INVITATIONS.values() else None


def says_whole_plan(kind: MessageKind, channel: Channel) -> bool:
    """Whether a message of this kind repeats the whole plan when it goes by this channel."""
    return kind in _WHOLE_PLAN and channel is not Channel.TEXT


def compose_joined(parts: Sequence[Part], clinic: Clinic, wordings: Wordings, channel: Channel) -> ComposedMessage:
    """Several reminders as one message that reads as one, in the order given; the first decides the language.

    It ends with the number to call when one of its reminders would end with that by itself. Parts of one person must
    follow each other. Raises WordingError when not even the source language is approved.
    """
    first = parts[0]
    text = channel is Channel.TEXT  # a mail has the clinic's name and the way to the plan around its sentences
    phrases = [Phrase(wording="message.part.start")] if text else []
    people = list(dict.fromkeys((part.contact.given_name, part.letter.link) for part in parts))
    for given_name, link in people:
        own = [part for part in parts if (part.contact.given_name, part.letter.link) == (given_name, link)]
        if len(people) > 1 or own[0].contact.guardian:
            phrases.append(Phrase(wording="message.part.person", values={"person": given_name}))
        phrases += _own_phrases(own)
        if text:
            phrases.append(Phrase(wording="message.more", values={"link": link}))
    if any(part.planned.kind in _WITH_NUMBER for part in parts):
        phrases.append(Phrase(wording="message.part.contact"))
    return _written("message.joined.subject", phrases, None, first.contact, clinic, wordings, channel, first.letter)


def _own_phrases(own: Sequence[Part]) -> list[Phrase]:
    """The sentences about one person, none of them twice; the drops of every dose together."""
    said: list[Phrase] = []
    for part in own:
        planned, letter = part.planned, part.letter
        values: dict[str, int | str | tuple[str, ...]] = {}
        if planned.kind is MessageKind.APPOINTMENT and letter.booked is not None:
            values = {"date": letter.booked[0], "time": letter.booked[1]}
        sentence = Phrase(wording=f"message.part.{planned.kind}", values=values)
        if sentence in said:
            continue
        said.append(sentence)
        if planned.kind is MessageKind.DOSE and is_open(part.contact):
            said += _open_doses([dose for each in own for dose in each.planned.parts])
    return said


def _written(
    subject_unit: str,
    phrases: Sequence[Phrase],
    plan: Plan | None,
    contact: Contact,
    clinic: Clinic,
    wordings: Wordings,
    channel: Channel,
    letter: Letter,
) -> ComposedMessage:
    """The phrases in one language, as a text or as a mail or letter around them."""
    wordings = wordings.for_reader(easy=contact.easy_read)
    subject = Phrase(wording=subject_unit)
    units = unit_ids_of([*phrases, subject])
    if channel is not Channel.TEXT:
        units |= set(_MAIL) | FOOTER_UNITS
        if plan is not None:
            units |= units_of(plan) | (letter.as_of.units if letter.as_of is not None else frozenset())
    choice = wordings.choose_language(contact.language, units)
    said = tuple(wordings.say(phrase, choice.language) for phrase in phrases)
    units = frozenset(wordings.unit_said(unit, choice.language) for unit in units)
    if channel is Channel.TEXT:
        # A name of drops is a label, not a sentence: in running text a colon leads from it to what follows.
        run = run_on(
            f"{words}:" if phrase.wording.startswith("agent.") else words
            for phrase, words in zip(phrases, said, strict=True)
        )
        return _composed(channel, contact.phone or "", choice, run, None, "", units, letter)
    reading = None
    if plan is not None:
        person = contact.given_name if contact.guardian else ""
        reading = read_plan(
            plan, wordings, choice.language, clinic, person=person, booked=letter.booked, as_of=letter.as_of
        )
    text, html = _mail(said, reading, contact, clinic, wordings, choice.language, letter)
    to = (
        (contact.email or "")
        if channel is Channel.EMAIL
        else "\n".join([contact.guardian or contact.name, *contact.address])
    )
    title = wordings.say(subject, choice.language)
    return _composed(channel, to, choice, text, html, title, units, letter)


def message_phrases(planned: PlannedMessage, contact: Contact, letter: Letter) -> list[Phrase]:
    """The sentences of the message itself: discreet unless the person chose otherwise."""
    values: dict[str, int | str | tuple[str, ...]] = {"link": letter.link}
    if planned.kind is MessageKind.REPLY:
        return [Phrase(wording=unit_said(planned.key), values=values)]
    if contact.guardian:
        values["person"] = contact.given_name
    if planned.kind is MessageKind.APPOINTMENT and letter.booked is not None:
        values |= {"date": letter.booked[0], "time": letter.booked[1]}
    if planned.kind is MessageKind.BOOKING:  # as it was when planned; `sending.decide` sees that it is still so
        news = booking_of(planned.key)
        unit = f"{news.unit}-guardian" if contact.guardian else news.unit
        return [Phrase(wording=unit, values=values | news.values)]
    if planned.kind is MessageKind.DOSE and is_open(contact):
        opening = Phrase(wording="message.dose.text-open", values=values)
        return [opening, *_open_doses(planned.parts), Phrase(wording="message.more", values=values)]
    suffix = "-guardian" if contact.guardian else ""
    form = _INVITATIONS[invitation_number(planned.key)] if planned.kind is MessageKind.RETURN_DUE else "text"
    return [Phrase(wording=f"message.{planned.kind}.{form}{suffix}", values=values)]


def is_open(contact: Contact) -> bool:
    """Whether the person chose to read the drops and the ears in a message or a calendar. A guardian's always stay
    discreet: they speak of the patient by name."""
    return not contact.discreet and not contact.guardian


def _open_doses(doses: Iterable[DosePart]) -> list[Phrase]:
    """Each agent once, and behind it what to do with it, ear by ear."""
    by_agent: dict[str, list[Phrase]] = {}
    for dose in doses:
        drops = by_agent.setdefault(dose.agent, [])
        phrase = Phrase(wording="instil.drops", ears=dose.ears, values={"drops": dose.drops})
        if phrase not in drops:
            drops.append(phrase)
    return [phrase for agent, drops in by_agent.items() for phrase in (Phrase(wording=f"agent.{agent}.name"), *drops)]


def _mail(
    said: tuple[str, ...],
    reading: Reading | None,
    contact: Contact,
    clinic: Clinic,
    wordings: Wordings,
    language: str,
    letter: Letter,
) -> tuple[str, str]:
    def say(unit: str, **values: str) -> str:
        return wordings.say(Phrase(wording=unit, values=values), language)

    context = {
        "greeting": say("message.greeting", name=contact.guardian or contact.name),
        "said": said,
        "reading": reading,
        "more": say("message.more", link=letter.link),
        "no_details": say("message.no-details"),
        "foot": [*(say(unit) for unit in FOOTER), say("message.footer", link=letter.link)],
        "link": letter.link,
        "language": language,
        "direction": direction(language),
        "clinic": clinic,
    }
    text = environment.get_template("mail.txt").render(context)
    return text, environment.get_template("mail.html").render(context)


def _composed(
    channel: Channel,
    to: str,
    choice: LanguageChoice,
    text: str,
    html: str | None,
    subject: str,
    units: frozenset[str],
    letter: Letter,
) -> ComposedMessage:
    return ComposedMessage(
        channel=channel,
        to=to,
        language=choice.language,
        wanted_language=choice.wanted,
        subject=subject,
        text=text,
        html=html,
        attachments=() if channel is Channel.TEXT else letter.attachments,
        units=tuple(sorted(units)),
        missing=choice.missing,
        pack=letter.pack,
        unsubscribe=letter.unsubscribe,
    )
