"""From cases to the exact words of each hand-over: which messages are said in one, and in which sentences."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.delivery.attachments import attachments_for, has_files, left_of
from service.delivery.cases import Case
from service.domain.contact import Channel
from service.domain.joining import Ready, join, order_of, people_of
from service.domain.message import ComposedMessage, State
from service.domain.sending import Reason
from service.errors import WordingError
from service.links import page_url, stand_in, token_of
from service.messages.compose import Letter, Part, compose, compose_joined, says_whole_plan
from service.messages.wordings import Wordings
from service.planning.aftercare import live_link
from service.planning.as_booked import as_booked
from service.services import Services
from service.storage.records import Beginning, Ending, StoredMessage
from service.storage.unit_of_work import UnitOfWork


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """One hand-over: the message that carries it and those that its text also says, in exact words.

    `composed` holds stand-ins for the people's links, `tokens` the real ones. `wordings` are the approved sentences
    that it was made of. `repeat`: handed over once more because nobody knows whether it arrived. `outgoing` is what
    leaves, real links and files included, once it is sealed; it is never stored.
    """

    members: tuple[Case, ...]
    composed: ComposedMessage
    tokens: tuple[str, ...]
    wordings: Wordings | None = None
    repeat: bool = False
    outgoing: ComposedMessage | None = None

    @property
    def carrier(self) -> StoredMessage:
        """The message that stands for the whole."""
        return self.members[0].message

    def beginnings(self, now: datetime) -> list[Beginning]:
        """What is written down before the first octet leaves. Other words than at the last attempt get another key."""
        if self.outgoing is None:
            raise ValueError("a bundle is sealed before its hand-over begins")
        carrier, pinned = self.carrier, body_hash(self.outgoing)
        same = carrier.body_hash == pinned and carrier.key_since is not None
        fresh = carrier.body_hash is None
        rendering = carrier.rendering if same or fresh else carrier.rendering + 1
        return [
            Beginning(
                message=_repeating(case.message) if self.repeat else case.message,
                composed=self.composed,
                body_hash=pinned,
                rendering=rendering if case.message is carrier else max(rendering, case.message.rendering),
                key_since=carrier.key_since if same and carrier.key_since is not None else now,
                carrier=None if case.message is carrier else carrier.id,
            )
            for case in self.members
        ]


def _repeating(message: StoredMessage) -> StoredMessage:
    return replace(message, lease_token=message.lease_token + 1, repeats=message.repeats + 1)


def body_hash(composed: ComposedMessage) -> str:
    """What pins the exact words of a message: channel, recipient, subject, text and HTML."""
    parts = (composed.channel.value, composed.to, composed.subject, composed.text, composed.html or "")
    return hashlib.sha256("\x00".join(parts).encode()).hexdigest()


def with_links(composed: ComposedMessage, tokens: Sequence[str]) -> ComposedMessage:
    """The message with each token in place of its stand-in."""

    def filled(text: str) -> str:
        for number, token in enumerate(tokens):
            text = text.replace(stand_in(number), token)
        return text

    return replace(
        composed,
        text=filled(composed.text),
        html=filled(composed.html) if composed.html is not None else None,
        unsubscribe=filled(composed.unsubscribe) if composed.unsubscribe is not None else None,
    )


def bundle(
    services: Services, work: UnitOfWork, cases: Mapping[str, Case], now: datetime
) -> tuple[list[Bundle], list[Ending]]:
    """Put the messages together that go now, and word them; the others end as decided. Files are not made yet."""
    ready = {case.message.id: found for case in cases.values() if (found := case.ready(services, now)) is not None}
    groups = join(ready.values())
    going = {each.id for group in groups for each in group}
    endings = [unsent(case, now) for case in cases.values() if case.message.id not in going]
    wording = _Wording(
        services=services,
        work=work,
        now=now,
        wordings=services.wordings(work),
        cases=cases,
        links=links_of(cases.values()),
    )
    bundles = []
    for group in groups:
        for part in wording.of(group):
            if isinstance(part, Ending):
                endings.append(part)
            else:
                bundles.append(part)
    return bundles, endings


def unsent(case: Case, now: datetime) -> Ending:
    """What becomes of a message that is in no bundle."""
    message = case.message
    if message.look_at > now:  # claimed only to go along, and found nobody to go with
        return Ending(message=message, state=State.PENDING, look_at=message.look_at, reason=message.reason)
    return case.ending(now)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wording:
    """Words the groups of one pass."""

    services: Services
    work: UnitOfWork
    now: datetime
    wordings: Wordings
    cases: Mapping[str, Case]
    links: Mapping[str, str]

    def of(self, group: Sequence[Ready]) -> Iterable[Bundle | Ending]:
        """The bundle; when its joined words are not approved, each message alone; when not even that, its drop."""
        people, cases = people_of(group), self.cases
        tokens = [token_of(self.services.secret_key, self.links[each]) if each in self.links else "" for each in people]
        first = cases[group[0].id]
        members = [first]
        if len(group) > 1:  # sentences about one person follow each other
            rest = sorted((cases[each.id] for each in group), key=lambda case: people.index(case.message.person_id))
            members += [case for case in rest if case is not first]
        try:
            composed = self.composed(members, people, group[0].channel)
        except WordingError as unsaid:
            if len(group) == 1:
                yield Ending(
                    message=first.message,
                    state=State.DROPPED,
                    reason=Reason.WORDING_NOT_APPROVED,
                    detail=str(unsaid),
                )
            for each in group if len(group) > 1 else ():
                if each.overdue:
                    yield from self.of([each])
                else:
                    yield unsent(cases[each.id], self.now)
            return
        yield Bundle(members=tuple(members), composed=composed, tokens=tuple(tokens), wordings=self.wordings)

    def composed(self, members: Sequence[Case], people: Sequence[str], channel: Channel) -> ComposedMessage:
        """These messages in one, with stand-ins for the links. Raises WordingError."""
        services, case = self.services, members[0]
        if len(members) > 1:
            parts = [
                Part(
                    planned=each.message.planned,
                    contact=each.contact,
                    letter=letter_for(services, each, people.index(each.message.person_id)),
                )
                for each in members
            ]
            return compose_joined(parts, services.clinic, self.wordings, channel)
        planned = case.message.planned
        plan, letter = None, letter_for(services, case, 0)
        if says_whole_plan(planned.kind, channel):
            stored = as_booked(services.pack, self.work.plans.get(case.message.plan_id))
            plan, letter = stored.plan, replace(letter, as_of=left_of(services, stored, case.contact, self.now))
        return compose(planned, plan, case.contact, services.clinic, self.wordings, channel, letter)


def letter_for(services: Services, case: Case, number: int) -> Letter:
    """What the words need beside the sentences; `number` is the person's place among those the message speaks of."""
    link = page_url(services.clinic.base_url, stand_in(number))
    booked = case.facts.booked
    return Letter(
        link=link,
        pack=case.facts.pack,
        booked=(booked[0].isoformat(), booked[1].isoformat("minutes")) if booked is not None else None,
        unsubscribe=f"{link}/stop-now" if link.startswith("https://") else None,  # RFC 8058 asks for HTTPS
    )


def again(services: Services, work: UnitOfWork, members: Sequence[Case], now: datetime) -> Bundle | None:
    """The bundle of an uncertain message in the words that were handed over. None when they cannot be made the same:
    the number, the appointment or the wording is another one now, or no transport carries them any more."""
    first = members[0].message
    if first.channel is None or first.channel not in services.transports:
        return None
    people = _people(members)
    members = [members[0], *sorted(members[1:], key=lambda case: (people.index(case.message.person_id), _order(case)))]
    links = links_of(members)
    tokens = tuple(token_of(services.secret_key, links[each]) if each in links else "" for each in people)
    wordings = services.wordings(work)
    wording = _Wording(services=services, work=work, now=now, wordings=wordings, cases={}, links=links)
    try:
        composed = wording.composed(members, people, first.channel)
    except WordingError:
        return None
    if body_hash(with_links(composed, tokens)) != first.body_hash:
        return None
    composed = replace(composed, missing=())  # the front desk was told when it was first handed over
    return Bundle(members=tuple(members), composed=composed, tokens=tokens, wordings=wordings, repeat=True)


def _order(case: Case) -> tuple[int, datetime, str]:
    return order_of(case.message.planned, case.message.id)


def _people(members: Sequence[Case]) -> list[str]:
    return people_of([case.message for case in members])


def links_of(cases: Iterable[Case]) -> dict[str, str]:
    """The id of the newest live link of each of their people who has one."""
    return {case.message.person_id: case.facts.link for case in cases if case.facts.link is not None}


def carries_live_links(services: Services, found: Bundle, links: Mapping[str, str]) -> bool:
    """Whether the links in its words are those that are good now; `links` are the newest ones, by person."""
    people = _people(found.members)
    return found.tokens == tuple(token_of(services.secret_key, links[each]) if each in links else "" for each in people)


def seal(services: Services, found: Bundle) -> Bundle:
    """The bundle as it leaves: with its people's links, made where there was none, and with its files."""
    if found.outgoing is not None:
        return found
    now = services.clock.now()
    if not all(found.tokens):
        with services.open_work() as work:
            tokens = tuple(live_link(services, work, person_id, now) for person_id in _people(found.members))
            work.commit()
        found = replace(found, tokens=tokens)
    case = found.members[0]
    outgoing = with_links(found.composed, found.tokens)
    kind = case.message.planned.kind
    if has_files(found.composed.channel, kind):
        with services.open_reading() as work:
            stored = work.plans.get(case.message.plan_id)
        files = attachments_for(services, stored, case.contact, outgoing, kind, found.tokens[0])
        outgoing = replace(outgoing, attachments=files)
    return replace(found, outgoing=outgoing)
