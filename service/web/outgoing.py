"""What goes out: the whole of it on one page, and the story of each message; and what staff may do about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from flask import redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.domain.contact import Channel
from service.domain.message import State
from service.domain.revision import current
from service.errors import NotAllowedError, NotFoundError
from service.messages.i18n import canonical_tag, fallback_chain
from service.planning.outgoing import Finding, Touched, look, settle, switch_channel, switching_off, try_now
from service.planning.story import Clockface, gather, tell
from service.services import Services
from service.storage.outbox_views import ASKS
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork
from service.web.access import needs, the_staff, who
from service.web.app import the_services, the_settings
from service.web.callbacks import UNKNOWN_STATES
from service.web.looked import RECORD, Listed, put_on_record
from service.web.shown import CHANNELS, counted, moment, reason, wall
from service.web.sure import asked_first

MOST_UNCERTAIN = 50
MOST_LISTED = 20
"""Rows of each list on the page. Our choice."""
BAD = timedelta(minutes=5)
"""From which age the oldest due message is shown as trouble; `tragus outbox` says so from the same age. Our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitSaid:
    """A piece of wording that a message was made of, and the newest approval before its hand-over. `changed`: its
    words are others now."""

    unit: str
    by: str
    at: datetime | None
    changed: bool


def fitted() -> dict[Channel, str]:
    """Each channel that has a transport, and its name in the settings."""
    chosen = the_settings().transports
    return {
        channel: chosen[channel].use if channel in chosen else type(transport).__name__
        for channel, transport in the_services().transports.items()
    }


@needs()
def show() -> str:
    """What is due, held, uncertain, under way and at an end; how the ways out do."""
    services = the_services()
    with services.open_reading() as work:
        box = look(services, work, fitted())
        uncertain = work.views.uncertain(MOST_UNCERTAIN)
        in_hand = work.views.in_hand(MOST_LISTED)
        waiting = work.views.next_due(MOST_LISTED)
        recent = work.views.newest(MOST_LISTED)
        unknown = (work.ledger.fact(UNKNOWN_STATES) or "").split(" ")
        asked = work.views.asked({each.id for each in uncertain})
        listed = (*uncertain, *(each.message for each in in_hand), *waiting, *recent)
        names = work.views.names({each.person_id for each in listed})
    put_on_record(Listed.OUTGOING, names)
    return render_template(
        "staff/outgoing.html",
        box=box,
        bad=box.oldest_age > BAD,
        unsent=box.of_state(State.DROPPED, State.FAILED),
        left=box.of_state(State.SENT, State.DELIVERED),
        uncertain=uncertain,
        asked=asked,
        unknown=unknown if len(unknown) == 3 else None,
        in_hand=in_hand,
        waiting=waiting,
        recent=recent,
        names=names,
        now=box.now,
        may_switch="lead" in the_staff().roles,
    )


@needs("lead")
def change_channel(name: str) -> Response:
    """Switch a channel off (at the second press) or on again, or end the pause of its transport."""
    if name not in {each.value for each in Channel}:
        raise NotFoundError(f"there is no channel {name!r}; choose one of {', '.join(Channel)}")
    services, channel, by = the_services(), Channel(name), who(the_staff())
    wanted = request.form.get("do", "")
    if wanted == "off":
        with services.open_reading() as work:
            stands_off = channel in work.transports.off()
            touched = switching_off(services, work, channel)
        asked = None if stands_off else _ask_to_switch_off(channel, touched)
        if asked is not None:
            return asked
        switch_channel(services, channel, by, off=True)
    elif wanted == "on":
        switch_channel(services, channel, by, off=False)
    elif wanted == "try":
        try_now(services, channel, by)
    else:
        raise NotAllowedError("choose to switch the channel off, to switch it on, or to try it now")
    return redirect(url_for("admin.outgoing", _anchor="transports"))


def _ask_to_switch_off(channel: Channel, touched: Touched) -> Response | None:
    name = CHANNELS[channel]
    least = "at least " if touched.more else ""
    said = [
        f"No message of this clinic goes by {name} any more, to anybody, until the clinical lead switches it on again.",
        f"In the next 24 hours this touches {least}{counted(touched.messages, 'message')} to "
        f"{counted(touched.people, 'person', 'people')}.",
    ]
    if touched.messages:
        said.append(
            f"{counted(touched.no_other, 'of these messages has', 'of these messages have')} no other channel that the "
            "person agreed to, and will wait; what waits past its useful time is not sent."
        )
    if touched.messages > touched.no_other:
        said.append("The others go by another channel that the person agreed to.")
    return asked_first(
        title=f"Switch off {name} for the whole clinic?",
        said=said,
        button=f"Yes, switch off {name}",
        back=url_for("admin.outgoing", _anchor="transports"),
        here="outgoing",
    )


@needs()
def message(message_id: str) -> str:
    """Everything about one message; looking at it is put on record, as a look at the person's record is."""
    services = the_services()
    now = services.clock.now()
    with services.open_work() as work:
        material = gather(services, work, message_id)
        found = material.message
        person = work.people.get(found.person_id)
        units = _units(services, work, found)
        work.ledger.note(who(the_staff()), RECORD, found.person_id, now, message=message_id)
        work.commit()
    zone = found.planned.zone
    story = tell(material, Clockface(moment=lambda at: moment(at, zone), wall=wall, reason=reason))
    wanted = person.contact.language
    other = found.language is not None and found.language not in fallback_chain(canonical_tag(wanted))
    return render_template(
        "staff/message.html",
        m=found,
        person=person,
        story=story,
        units=units,
        shared=material.shared,
        carrier=material.carrier,
        wanted=wanted if other else "",
        too_late=now > found.planned.last_useful,
        asked=any(entry.done is None and entry.reason in ASKS for entry in material.attention),
        left=next((note for note in material.notes if note.action == "message-left"), None),
    )


@needs()
def settle_message(message_id: str) -> Response:
    """Settle an uncertain message by hand."""
    wanted = request.form.get("do", "")
    if wanted not in {each.value for each in Finding}:
        raise NotAllowedError("choose that it arrived, that it did not and is sent again, or to leave it")
    settle(the_services(), message_id, Finding(wanted), who(the_staff()))
    return redirect(url_for("admin.message", message_id=message_id))


def _units(services: Services, work: UnitOfWork, found: StoredMessage) -> list[UnitSaid]:
    """Each sentence of a message with the revision that was in force when it was handed over."""
    if found.language is None or found.handed is None:
        return []
    book, said = services.book(work), []
    for unit in sorted(set(found.units)):
        history = book.history(found.language, unit)
        then = current(history, None, found.handed)
        approval = then.approval if then is not None else None
        newest = current(history, None, services.clock.now())
        said.append(
            UnitSaid(
                unit=unit,
                by=approval.by if approval is not None else "",
                at=approval.at if approval is not None else None,
                changed=then is not None and then is not newest,
            )
        )
    return said
