"""What do words that somebody sent mean, and what follows from them? Stop, start and help have one effect each, and so
have the answers to an invitation while one waits; everything else goes to a person, and a warning word is answered at
once with how to get help.

A stop by mail is carried out whoever wrote it: to go on writing to somebody who asked for silence would be worse than
to pause mail to somebody who did not. But a sender's name is easily forged, so a stop that does not answer a mail of
ours is put before a person, who asks and takes it back at one press if it was not theirs. What is urgent is not lost
meanwhile: it goes by another channel, or to a person. A start by mail counts only as an answer to a mail of ours.

The words are stored first, under the far side's own id, and their effects follow in one transaction. So a repeat is
harmless, and what an interruption left undone is done by `settle_left`. Free text is never taken to be safe.

After a stop nothing more goes by the stopped channel, not even a confirmation: whoever wrote stop asked for silence
there. The confirmation goes by another channel that is still agreed to, or not at all; staff see the stop either way.
"""

from __future__ import annotations

import hashlib
import logging
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, time, timedelta
from enum import StrEnum

from service.domain.contact import Channel, compared
from service.domain.message import Inbound, MessageKind, PlannedMessage
from service.domain.plan import Status
from service.domain.recall import Answer
from service.domain.reply import answer_key, answer_prefix
from service.domain.sending import CHANNELS
from service.domain.wall_clock import zone_named
from service.inbound.bounces import clean
from service.inbound.reply_text import MOST_CHARACTERS
from service.inbound.reply_words import ReplyWords, fold, shipped_reply_words
from service.planning.preferences import start_channel_in, stop_channel_in
from service.planning.recalling import answer_in, invited, must_come_soon, wrong_person_in
from service.services import Services
from service.storage.piles import WARNS
from service.storage.unit_of_work import UnitOfWork

log = logging.getLogger("service.inbound")

LONGEST_ID = 1000
"""Characters of a far side's own id that are kept; a longer one is kept as its hash. Our choice: what every database
can put into an index."""

ANSWER_AGAIN_AFTER = timedelta(hours=1)
"""At most one automatic answer of a kind to one sender in this time. RFC 3834 2 asks for a limit; the hour is ours."""

MOST_OF_A_STRANGER = 20
"""Messages of one unknown number or address that are kept in one day of the clinic, and as many again that may warn;
more are counted only, as long as these wait for a person. Our choice: more than anybody writes who wants an answer, and
few enough to read."""

LONGEST_DETAIL = 500
"""Characters of an answer that the attention list shows; the whole is stored."""


class Meaning(StrEnum):
    """What words mean, or what else came in."""

    STOP = "stop"
    START = "start"
    HELP = "help"
    BOOK = "answer-book"
    LATER = "answer-later"
    NO = "answer-no"
    ELSEWHERE = "answer-elsewhere"
    WRONG = "answer-wrong-person"
    WARNING = WARNS
    WORDS = "reply"
    CALENDAR = "calendar-reply"
    ANSWERED = "calendar-answered"  # acted on; see calendar_replies.py
    AUTO = "auto-reply"
    UNMATCHED = "unmatched-bounce"
    UNREADABLE = "unreadable"


ASK = frozenset({Meaning.WARNING, Meaning.WORDS, Meaning.CALENDAR})
"""Meanings that are reasons of the attention list, by the same name."""

ANSWERS = {
    Meaning.BOOK: Answer.BOOK,
    Meaning.LATER: Answer.LATER,
    Meaning.NO: Answer.NO,
    Meaning.ELSEWHERE: Answer.ELSEWHERE,
}
"""What answers an invitation, while one waits for an answer."""

CHANNEL_STOPPED = "channel-stopped"
CHANNEL_STARTED = "channel-started"
"""Reasons of the attention list: staff see that a person stopped, or started again, a channel."""
STOP_UNSURE = "stop-unsure"
"""A reason of the attention list: e-mail was stopped by a mail that may not be from the person."""


def meaning_of(channel: Channel, text: str, words: ReplyWords | None = None) -> tuple[Meaning, str]:
    """What words mean, and what of them is left for a person to read.

    The whole text must be one of the words. In a mail the first line may be, since programs add lines of their own;
    the rest is then read by a person, and warned about if it warns.
    """
    words = words or shipped_reply_words()
    for part, rest in _tries(channel, text):
        folded = fold(part)
        for meaning, known in _whole_answers(words):
            if folded in known:
                return meaning, rest
    return (Meaning.WARNING if words.warns(text) else Meaning.WORDS), text


def _tries(channel: Channel, text: str) -> Iterator[tuple[str, str]]:
    """What may be the whole answer, and what is then left of the text."""
    yield text, ""
    lines = [line for line in text.splitlines() if line.strip()]
    if channel is Channel.EMAIL and len(lines) > 1:
        yield lines[0], "\n".join(lines[1:])


def _whole_answers(words: ReplyWords) -> tuple[tuple[Meaning, frozenset[str]], ...]:
    return (
        (Meaning.STOP, words.stop),
        (Meaning.START, words.start),
        (Meaning.HELP, words.help),
        (Meaning.BOOK, words.book),
        (Meaning.LATER, words.later),
        (Meaning.NO, words.no),
        (Meaning.ELSEWHERE, words.elsewhere),
        (Meaning.WRONG, words.wrong),
    )


def take_inbound(
    services: Services,
    inbound: Inbound,
    *,
    whole: str = "",
    meaning: Meaning | None = None,
    words: ReplyWords | None = None,
) -> Meaning:
    """Store words and do what they ask; returns what they mean once all is stored. A repeat changes nothing.

    `whole` is the full text of a mail. `meaning` is given for what is not read as words (a calendar's answer, an
    automatic mail); `words` are the lists to read by, the shipped ones by default.
    """
    inbound = replace(
        inbound,
        id=_short(clean(inbound.id)),
        sender=_plain_sender(inbound.channel, clean(inbound.sender)),
        text=clean(inbound.text)[:MOST_CHARACTERS],
        in_reply_to=clean(inbound.in_reply_to) if inbound.in_reply_to else None,
    )
    if meaning is None:
        meaning, _ = meaning_of(inbound.channel, inbound.text, words)
    with services.open_work() as work:
        if work.inbound.get(inbound.channel, inbound.id) is None and _too_many(services, work, inbound, meaning):
            work.commit()
            return meaning
        work.inbound.add(inbound, clean(whole)[:MOST_CHARACTERS], meaning)
        work.commit()
    return _settle(services, inbound.channel, inbound.id, words)


def _plain_sender(channel: Channel, sender: str) -> str:
    """The sender as two are compared, so that all words of one are found; a name or a short number stays as it is."""
    if channel is Channel.TEXT and not re.fullmatch(r"\+?[0-9 ().-]{8,}", sender):
        return sender
    return compared(channel, sender)


def _too_many(services: Services, work: UnitOfWork, inbound: Inbound, meaning: Meaning) -> bool:
    """Whether a stranger has sent as many as are kept; then this message is counted. A repeat may count twice."""
    named = work.inbound.sent_as(inbound.channel, inbound.in_reply_to) if inbound.in_reply_to else None
    if named is not None or work.inbound.people_at(inbound.channel, inbound.sender):
        return False
    now = services.clock.now()
    here = now.astimezone(zone_named(services.clinic.zone))
    if work.inbound.open_from(inbound, meaning, datetime.combine(here, time(), here.tzinfo)) < MOST_OF_A_STRANGER:
        return False
    kind = meaning if meaning is Meaning.WARNING or not inbound.sender else ""
    mark = hashlib.sha256("\x00".join((inbound.sender, kind)).encode()).hexdigest()[:32]
    work.inbound.count_only(inbound, meaning, f"{here.date().isoformat()}/{mark}", now)
    return True


def _short(inbound_id: str) -> str:
    fits = len(inbound_id.encode()) <= LONGEST_ID
    return inbound_id if fits else f"sha256/{hashlib.sha256(inbound_id.encode()).hexdigest()}"


def settle_left(services: Services) -> int:
    """Do what an interruption left undone; returns for how many words. To be called after each pass.

    A fault in one is logged and leaves it on the list of strangers, where a person sees it; the others go on.
    """
    with services.open_reading() as work:
        left = [stored.inbound for stored in work.inbound.unsettled()]
    done = 0
    for inbound in left:
        try:
            _settle(services, inbound.channel, inbound.id, None)
            done += 1
        except Exception as fault:
            log.exception("words that came by %s could not be settled: %s", inbound.channel, type(fault).__name__)
    return done


def _settle(services: Services, channel: Channel, inbound_id: str, words: ReplyWords | None) -> Meaning:
    now = services.clock.now()
    with services.open_work() as work:
        stored = work.inbound.get(channel, inbound_id, lock=True)
        if stored is None:
            raise LookupError("words that were just stored are gone")
        meaning = Meaning(stored.meaning)
        if stored.settled is not None:
            return meaning
        inbound = stored.inbound
        people = work.inbound.people_at(inbound.channel, inbound.sender)
        named = work.inbound.sent_as(inbound.channel, inbound.in_reply_to) if inbound.in_reply_to else None
        about = people
        if named is not None and (named.person_id in people or not people):
            about = [named.person_id]
        for person_id in sorted({*people, *about}):  # held in one order, so that two of these never wait for each other
            work.people.get(person_id)
        # Anybody can write a sender's name into a mail; the id of one of our own mails knows only who was sent it.
        sure = inbound.channel is not Channel.EMAIL or (named is not None and named.person_id in people)
        if meaning is Meaning.START and not sure:
            meaning = _read_by_a_person(services, work, inbound, inbound.text, about, people, now, words, Meaning.WORDS)
        elif meaning in (Meaning.STOP, Meaning.START, Meaning.HELP):
            _, rest = meaning_of(inbound.channel, inbound.text, words)
            meaning = _carry_out(services, work, meaning, inbound, people, now, sure=sure)
            if not people and about:  # our message was passed on: whose wish this is, a person has to find out
                _ask(work, Meaning.WORDS, about, inbound.text, now)
                meaning = Meaning.WORDS
            if rest:
                meaning = _read_by_a_person(services, work, inbound, rest, about, people, now, words)
        elif meaning in ANSWERS or meaning is Meaning.WRONG:
            meaning = _answer_invitation(services, work, meaning, inbound, about, people, now, words, sure=sure)
        elif meaning in ASK:
            _read_by_a_person(services, work, inbound, inbound.text, about, people, now, words, meaning)
        work.inbound.settle(
            inbound,
            now,
            meaning=meaning,
            person_id=about[0] if len(about) == 1 else None,
            message_id=named.id if named is not None else None,
            handled=bool(about) or meaning is Meaning.AUTO,
        )
        work.commit()
    return meaning


def _carry_out(
    services: Services,
    work: UnitOfWork,
    meaning: Meaning,
    inbound: Inbound,
    people: list[str],
    now: datetime,
    *,
    sure: bool,
) -> Meaning:
    """Stop or start the channel for everybody at this number or address, and answer once. Returns what the words mean
    after that: a call for help that nothing answers is for a person."""
    others = f"; {len(people)} people share this number or address" if len(people) > 1 else ""
    change, reason = {
        Meaning.STOP: (stop_channel_in, CHANNEL_STOPPED),
        Meaning.START: (start_channel_in, CHANNEL_STARTED),
    }.get(meaning, (None, ""))
    for person_id in people:
        how = "reply" if sure else "mail-unsure"
        if change is None or not change(services, work, person_id, inbound.channel, "patient", how):
            continue
        if sure:
            work.ledger.ask(person_id, reason, now, detail=f"{inbound.channel}: asked by a reply{others}")
        else:
            detail = f"a mail that answers none of ours asked to stop, and e-mail is stopped until you decide{others}"
            work.ledger.ask(person_id, STOP_UNSURE, now, detail=detail)
    unit = {Meaning.STOP: "reply.stopped", Meaning.START: "reply.started"}.get(meaning, "reply.help")
    if not _answer(services, work, unit, inbound, people, now) and meaning is Meaning.HELP:
        _ask(work, Meaning.WORDS, people, f"(no automatic answer went out)\n{inbound.text}", now)
        return Meaning.WORDS if people else meaning
    return meaning


def _answer_invitation(
    services: Services,
    work: UnitOfWork,
    meaning: Meaning,
    inbound: Inbound,
    about: list[str],
    people: list[str],
    now: datetime,
    words: ReplyWords | None,
    *,
    sure: bool,
) -> Meaning:
    """Carry out the answer to an invitation and confirm it. Where nobody waits for one, it is not sure whose answer it
    is, or its word means something else in their language, a person reads it. That a number or address is the wrong one
    is obeyed at any time."""
    wrong, text = meaning is Meaning.WRONG, inbound.text
    asked = people if wrong else [each for each in about if each in people and invited(work, each) is not None]
    if sure and asked and _may_mean_otherwise(work, inbound, asked, words or shipped_reply_words()):
        text = f"(not taken as an answer: in their language this word can mean something else)\n{text}"
    elif sure and wrong and asked:
        for person_id in asked:
            wrong_person_in(services, work, person_id, frozenset({inbound.channel}), now, by=inbound.channel.value)
        return meaning
    elif sure and not wrong and len(asked) == 1:
        recall = answer_in(services, work, asked[0], ANSWERS[meaning], by=inbound.channel.value, now=now)
        soon = meaning is Meaning.LATER and recall is not None and must_come_soon(services, recall, now)
        unit = "reply.recall-soon" if soon else f"reply.recall-{ANSWERS[meaning]}"
        _answer(services, work, unit, inbound, asked, now)
        return meaning
    return _read_by_a_person(services, work, inbound, text, about, people, now, words, Meaning.WORDS)


def _may_mean_otherwise(work: UnitOfWork, inbound: Inbound, asked: list[str], words: ReplyWords) -> bool:
    """Whether the word that was read as an answer means something else in the language of any of these people."""
    lists = _whole_answers(words)
    parts = (part for part, _ in _tries(inbound.channel, inbound.text))
    said = next((part for part in parts if any(fold(part) in known for _, known in lists)), "")
    return any(words.may_mean_otherwise(said, work.people.get(each).contact.language) for each in asked)


def _read_by_a_person(
    services: Services,
    work: UnitOfWork,
    inbound: Inbound,
    text: str,
    about: list[str],
    people: list[str],
    now: datetime,
    words: ReplyWords | None,
    meaning: Meaning | None = None,
) -> Meaning:
    """Put words on the attention list; a warning word is answered at once as well. Returns what they mean."""
    if meaning is None:
        meaning = Meaning.WARNING if (words or shipped_reply_words()).warns(text) else Meaning.WORDS
    if meaning is Meaning.WARNING:
        first = [each for each in about if each in people]
        order = [*first, *(each for each in people if each not in first)]
        if not _answer(services, work, "reply.urgent", inbound, order, now):
            text = f"(no automatic answer went out)\n{text}"
    _ask(work, meaning, about, text, now)
    return meaning


def _ask(work: UnitOfWork, reason: Meaning, people: list[str], text: str, now: datetime) -> None:
    for person_id in people:
        work.inbound.ask(person_id, reason, now, detail=text[:LONGEST_DETAIL])


def _answer(
    services: Services, work: UnitOfWork, unit: str, inbound: Inbound, people: list[str], now: datetime
) -> bool:
    """Plan one answer to the sender, in the words for the first of these people who has a plan and can be reached.

    False when nobody has: without a plan there is no page to point to. True as well when the same answer went out
    within the hour. An answer to a stop goes by another channel that is still agreed to, or not at all.
    """
    if work.inbound.answered_since(people, answer_prefix(unit, inbound.channel), now - ANSWER_AGAIN_AFTER):
        return True
    for person_id in people:
        contact = work.people.get(person_id).contact
        plans = [each for each in work.plans.of_person(person_id) if each.status not in (Status.REVOKED, Status.DRAFT)]
        reached = any(contact.reach(channel) for channel in CHANNELS[MessageKind.REPLY])
        if not plans or not reached or contact.gone:
            continue
        useful = timedelta(minutes=services.pack.timing.useful_minutes[MessageKind.REPLY])
        zone = zone_named(contact.zone)
        key = answer_key(unit, inbound.channel, inbound.id)
        planned = PlannedMessage(
            key=key,
            kind=MessageKind.REPLY,
            due=now,
            earliest=now,
            last_useful=now + useful,
            wall=now.astimezone(zone).replace(tzinfo=None).isoformat(timespec="minutes"),
            zone=zone.key,
        )
        work.messages.plan(plans[0].id, person_id, [planned], {key: services.new_id()})
        return True
    return False
