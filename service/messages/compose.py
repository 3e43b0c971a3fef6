"""One planned message in the exact words in which it goes out, for one channel."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.contact import Channel, Clinic, Contact
from service.domain.message import Attachment, ComposedMessage, MessageKind, PlannedMessage
from service.domain.plan import Phrase, Plan
from service.domain.reply import unit_said
from service.messages.i18n import direction
from service.messages.layout import environment
from service.messages.read_plan import FOOTER, read_plan, units_of
from service.messages.reading import Reading
from service.messages.wordings import LanguageChoice, Wordings, unit_ids_of

_MAIL = ("message.greeting", "message.footer", "message.no-details", "message.more")
_WHOLE_PLAN = frozenset({MessageKind.PLAN_GIVEN, MessageKind.URGENT})


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """What a composed message needs beside its sentences: where the plan's page is, and the files that go along."""

    link: str
    attachments: tuple[Attachment, ...] = ()
    unsubscribe: str | None = None
    booked: tuple[str, str] | None = None


def compose(
    planned: PlannedMessage,
    plan: Plan,
    contact: Contact,
    clinic: Clinic,
    wordings: Wordings,
    channel: Channel,
    letter: Letter,
) -> ComposedMessage:
    """The message in the person's language, or wholly in the approved source language when anything is not approved.

    `wordings` must know the clinic's own values (clinic, phone, ...) and `link`. Raises WordingError when not even
    the source language is approved.
    """
    phrases = message_phrases(planned, contact, letter)
    topic = "reply" if planned.kind is MessageKind.REPLY else f"message.{planned.kind}"
    subject = Phrase(wording=f"{topic}.subject")
    units = unit_ids_of([*phrases, subject])
    if channel is not Channel.TEXT:
        units |= set(_MAIL) | set(FOOTER)
        if planned.kind in _WHOLE_PLAN:
            units |= units_of(plan)
    choice = wordings.choose_language(contact.language, units)
    said = tuple(wordings.say(phrase, choice.language) for phrase in phrases)
    if channel is Channel.TEXT:
        return _composed(channel, contact.phone or "", choice, " ".join(said), None, "", plan, units, letter)
    reading = None
    if planned.kind in _WHOLE_PLAN:
        person = contact.given_name if contact.guardian else ""
        reading = read_plan(plan, wordings, choice.language, clinic, person=person, booked=letter.booked)
    text, html = _mail(said, reading, contact, clinic, wordings, choice.language, letter)
    to = (
        (contact.email or "")
        if channel is Channel.EMAIL
        else "\n".join([contact.guardian or contact.name, *contact.address])
    )
    title = wordings.say(subject, choice.language)
    return _composed(channel, to, choice, text, html, title, plan, units, letter)


def message_phrases(planned: PlannedMessage, contact: Contact, letter: Letter) -> list[Phrase]:
    """The sentences of the message itself: discreet unless the person chose otherwise."""
    values: dict[str, int | str | tuple[str, ...]] = {"link": letter.link}
    if planned.kind is MessageKind.REPLY:
        return [Phrase(wording=unit_said(planned.key), values=values)]
    if contact.guardian:
        values["person"] = contact.given_name
    if planned.kind is MessageKind.APPOINTMENT and letter.booked is not None:
        values |= {"date": letter.booked[0], "time": letter.booked[1]}
    if planned.kind is MessageKind.DOSE and not contact.discreet and not contact.guardian:
        spoken = [Phrase(wording="message.dose.text-open", values=values)]
        for part in planned.parts:
            spoken.append(Phrase(wording=f"agent.{part.agent}.name"))
            spoken.append(Phrase(wording="instil.drops", ears=part.ears, values={"drops": part.drops}))
        return [*spoken, Phrase(wording="message.more", values=values)]
    suffix = "-guardian" if contact.guardian else ""
    return [Phrase(wording=f"message.{planned.kind}.text{suffix}", values=values)]


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
    plan: Plan,
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
        pack=plan.pack,
        unsubscribe=letter.unsubscribe,
    )
