"""One person's record: plans and appointments, every message and why it went or did not, the link, what ends it all."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.contact import Channel, Contact
from service.domain.message import State
from service.domain.plan import Status
from service.domain.sending import LABELS, Reason
from service.domain.visit import Side
from service.errors import NotAllowedError, VisitError
from service.planning.aftercare import set_status
from service.planning.appointments import book, plan_to_book_on
from service.planning.missed import record_attended, record_missed, to_ask_about
from service.planning.people import (
    mark_died,
    mark_left,
    mark_withdrawn,
    renew_link,
    revoke_links,
    trust_channel,
)
from service.planning.recalling import takes_appointments
from service.planning.standing import stands
from service.storage.records import Audit, StoredPlan
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.booking_said import Teller, not_usual, too_late_for
from service.web.calling import said_not_to_be_theirs
from service.web.forms import BookingForm, read_booking
from service.web.looked import LOOKS, RECORD
from service.web.shown import counted, sentence_of
from service.web.sure import asked_first

bp = Blueprint("record", __name__)

LONGEST_REASON = 500
"""Characters of the reason for withdrawing or holding a plan. Our choice."""
CHANGES: dict[str, tuple[frozenset[Status], Status]] = {
    "hold": (frozenset({Status.ACTIVE}), Status.ON_HOLD),
    "take-up": (frozenset({Status.ON_HOLD}), Status.ACTIVE),
    "withdraw": (frozenset({Status.ACTIVE, Status.ON_HOLD}), Status.REVOKED),
}
"""What may be done to a plan: from which status, to which."""
ACTIONS = {
    **LOOKS,
    "person-added": "added the person",
    "person-corrected": "corrected the person",
    "person-left": "recorded a move away",
    "person-back": "took the move away back",
    "person-died": "recorded the death",
    "person-lives": "took the record of a death back",
    "consent-withdrawn": "recorded that consent to messages was withdrawn",
    "consent-recorded": "recorded consent to messages anew",
    "channel-mended": "corrected what was found unusable",
    "channel-trusted": "said that what was found unusable is right after all",
    "link-revoked": "revoked the link",
    "link-renewed": "made a new link",
    "link-shown": "was shown the link",
    "plan-given": "gave the plan",
    "plan-active": "took the plan up again",
    "plan-on-hold": "put the plan on hold",
    "plan-revoked": "withdrew the plan",
    "plan-completed": "ended the plan",
    "rule-overruled": "set a rule aside",
    "sheet-printed": "opened the sheet",
    "appointment-booked": "booked the appointment",
    "appointment-moved": "moved the appointment",
    "appointment-cancelled": "cancelled the appointment",
    "appointment-taken-over": "had the appointment go over to another plan",
    "appointment-missed": "recorded that nobody came to the appointment",
    "appointment-attended": "recorded that the person came, with nothing else to record",
    "calendar-accepted": "accepted the appointment by calendar",
    "calendar-declined": "declined the appointment by calendar",
    "calendar-tentative": "answered “perhaps” to the appointment by calendar",
    "softening-followed": "had the softening drops follow the appointment",
}
CALENDAR = {"calendar-accepted": "accepted by calendar", "calendar-tentative": "“perhaps” by calendar"}
"""What a calendar last answered to the appointment as it stands."""
CAME = {"came": record_attended, "missed": record_missed}
"""What is said of an appointment whose day is over."""
ENDS: dict[str, tuple[Callable[[str], None], str]] = {
    "moved": (lambda person_id: mark_left(the_services(), person_id, who(the_staff()), left=True), "leaving"),
    "not-moved": (lambda person_id: mark_left(the_services(), person_id, who(the_staff()), left=False), "leaving"),
    "died": (lambda person_id: mark_died(the_services(), person_id, who(the_staff()), died=True), "leaving"),
    "not-died": (lambda person_id: mark_died(the_services(), person_id, who(the_staff()), died=False), "leaving"),
    "withdrawn": (
        lambda person_id: mark_withdrawn(the_services(), person_id, who(the_staff()), withdrawn=True),
        "consent",
    ),
    "recorded": (
        lambda person_id: mark_withdrawn(the_services(), person_id, who(the_staff()), withdrawn=False),
        "consent",
    ),
}
"""What ends every message to a person, or takes that back; and the part of the page that it belongs to."""
WAITING = frozenset({State.PENDING, State.CLAIMED})
SHOWN = 50
"""Lines of "who did what", of "who looked", and of what the person wrote, on the page. Our choice."""


@bp.get("/people/<person_id>")
@needs()
def show(person_id: str) -> Response:
    """The record; looking at it is itself put on record."""
    return _page(person_id)


def _page(person_id: str, *, booking: BookingForm | None = None, unsaid: str = "") -> Response:
    """The record. `booking` is a refused form about an appointment; `unsaid` names a part in which nothing was
    chosen."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        plans = work.plans.of_person(person_id)
        messages = work.messages.of_person(person_id)
        wrote = work.inbound.of_person(person_id, person.contact, SHOWN)
        recall = work.recalls.newest_of(person_id)
        linked = work.links.live_id(person_id) is not None
        subjects = (person_id, *(stored.id for stored in plans))
        history = [line for subject in subjects for line in work.ledger.history(subject, limit=SHOWN, but=tuple(LOOKS))]
        looked = work.looks.at(person_id, SHOWN, LOOKS)
        bookable = {stored.id for stored in plans if takes_appointments(work, stored)}
        present = plan_to_book_on(work, person_id)
        not_theirs = said_not_to_be_theirs(work, person_id, person.contact)
        did_they_come = {stored.id for stored in plans if to_ask_about(services, work, stored, now)}
        work.ledger.note(who(the_staff()), RECORD, person_id, now)
        work.commit()
    standing = {stored.id for stored in plans if stored.id not in bookable and stands(services, stored, now)}
    teller = Teller(contact=person.contact, clinic=services.clinic, post_days=services.pack.timing.post_days, now=now)
    saved_of = next((stored for stored in plans if stored.id == request.args.get("of", "")), None)
    page = render_template(
        "staff/record.html",
        person=person,
        plans=plans,
        messages=messages,
        wrote=wrote,
        full=len(wrote) == SHOWN,
        linked=linked,
        history=sorted(history, key=lambda line: line.at, reverse=True)[:SHOWN],
        looked=looked,
        actions=ACTIONS,
        calendar={stored.id: _calendar_answer(history, stored) for stored in plans},
        bookable=bookable,
        standing=standing,
        to_keep=_to_keep(plans, standing, present) if not person.contact.gone else None,
        present=present,
        will_be_told=teller.before(),
        is_told=teller.after(saved_of, messages) if saved_of is not None else "",
        not_usual=not_usual(saved_of.appointment) if saved_of is not None and saved_of.appointment else "",
        too_late={stored.id: too_late_for(recall, stored) for stored in plans},
        not_theirs=not_theirs,
        did_they_come=did_they_come,
        ended=_ended(person.contact),
        booking=booking,
        unsaid=unsaid,
        saved=request.args.get("saved", "") if request.method == "GET" else "",
        saved_of=saved_of.id if saved_of is not None else "",
        pack=services.pack,
        sides=tuple(Side),
        recall=recall,
        now=now,
        may_change=bool(the_staff().roles & {"clinician", "lead"}),
    )
    return make_response(page, 422 if booking is not None or unsaid else 200)


def _to_keep(plans: Sequence[StoredPlan], standing: Collection[str], present: StoredPlan | None) -> StoredPlan | None:
    """The plan that is over and whose appointment the present plan can take over, since it has none itself."""
    if present is None or present.appointment is not None:
        return None
    return next((stored for stored in plans if stored.id in standing), None)


def _calendar_answer(history: list[Audit], stored: StoredPlan) -> str:
    """What the person's calendar answered since the appointment last changed; empty where it did not."""
    told = (each for each in history if each.subject == stored.id)
    news = (each.action for each in told if each.action in CALENDAR or each.action.startswith("appointment-"))
    return CALENDAR.get(next(news, ""), "") if stored.appointment is not None else ""


def _ended(contact: Contact) -> str:
    """Why no message at all goes to this person; empty while messages may go."""
    if contact.died is not None:
        return LABELS[Reason.DIED]
    if contact.left is not None:
        return LABELS[Reason.PERSON_LEFT]
    return LABELS[Reason.CONSENT_WITHDRAWN] if contact.withdrawn is not None else ""


@bp.post("/plans/<plan_id>/status")
@needs("clinician", "lead")
def change_status(plan_id: str) -> BaseResponse:
    """Hold a plan, take it up again, or withdraw it; the reason goes on record."""
    services = the_services()
    wanted, reason = request.form.get("do", ""), request.form.get("reason", "").strip()
    if wanted not in CHANGES:
        raise NotAllowedError("choose hold, take up again, or withdraw")
    if not reason or len(reason) > LONGEST_REASON:
        raise NotAllowedError(f"say why, in up to {LONGEST_REASON} characters: the reason goes on record")
    with services.open_reading() as work:
        stored = work.plans.get(plan_id)
    before, after = CHANGES[wanted]
    if stored.status not in before:
        raise NotAllowedError(f"the plan is {stored.status} now, so this cannot be done; look at the record again")
    set_status(services, plan_id, after, who(the_staff()), reason)
    return redirect(url_for("desk.record.show", person_id=stored.person_id))


@bp.post("/people/<person_id>/link")
@needs()
def link(person_id: str) -> BaseResponse:
    """Revoke the person's link, or make a new one in its place."""
    act = {"revoke": revoke_links, "renew": renew_link}.get(request.form.get("do", ""))
    if act is None:
        raise NotAllowedError("choose to revoke the link or to make a new one")
    act(the_services(), person_id, who(the_staff()))
    return redirect(url_for("desk.record.show", person_id=person_id))


@bp.post("/people/<person_id>/left")
@needs()
def left(person_id: str) -> BaseResponse | Response:
    """Record that the person moved away, died or withdrew consent to messages, or take that back."""
    wanted, part = request.form.get("do", ""), request.form.get("part", "")
    if not wanted and part == "leaving":
        return _page(person_id, unsaid=part)
    if wanted not in ENDS:
        raise NotAllowedError("choose moved away, died, or consent withdrawn, or take one of them back")
    act, part = ENDS[wanted]
    if wanted == "withdrawn" and (asked := _ask_to_withdraw(person_id)) is not None:
        return asked
    act(person_id)
    return redirect(url_for("desk.record.show", person_id=person_id, _anchor=part))


def _ask_to_withdraw(person_id: str) -> Response | None:
    services, now = the_services(), the_services().clock.now()
    with services.open_reading() as work:
        person = work.people.get(person_id)
        waiting = [each for each in work.messages.of_person(person_id) if each.state in WAITING and not each.superseded]
    reminders = counted(len(waiting), "message that waits", "messages that wait")
    asked = asked_first(
        title=f"Did {person.name} withdraw consent to messages?",
        said=[
            f"Nothing more is sent to {person.contact.guardian or person.name}, by any way: {reminders} will not go, "
            "urgent advice included, and later visits send nothing either.",
            "The plan, its page and the printed sheet stay.",
        ],
        button="Yes, record that consent is withdrawn",
        back=url_for("desk.record.show", person_id=person_id, _anchor="consent"),
        here="people",
    )
    if asked is not None:
        with services.open_work() as work:
            work.ledger.note(who(the_staff()), RECORD, person_id, now)
            work.commit()
    return asked


@bp.post("/people/<person_id>/usable")
@needs()
def usable(person_id: str) -> BaseResponse:
    """A number or address that was found unusable is right after all."""
    channel = request.form.get("channel", "")
    if channel not in set(Channel):
        raise NotAllowedError("choose the number or the address that is right after all")
    trust_channel(the_services(), person_id, Channel(channel), who(the_staff()))
    place = "desk.correct" if request.form.get("then") == "correct" else "desk.record.show"
    return redirect(url_for(place, person_id=person_id))


@bp.post("/plans/<plan_id>/came")
@needs()
def came(plan_id: str) -> BaseResponse:
    """Say of an appointment whose day is over whether the person came."""
    services, act = the_services(), CAME.get(request.form.get("do", ""))
    if act is None:
        raise NotAllowedError("choose that they came or that they did not")
    act(services, plan_id, who(the_staff()))
    with services.open_reading() as work:
        person_id = work.plans.get(plan_id).person_id
    return redirect(_saved(person_id, plan_id, request.form["do"]))


@bp.post("/plans/<plan_id>/appointment")
@needs()
def appointment(plan_id: str) -> BaseResponse | Response:
    """Book, move or cancel the appointment of a plan. After a mistake the record comes back with what was typed."""
    services = the_services()
    with services.open_reading() as work:
        stored = work.plans.get(plan_id)
    person_id, wanted = stored.person_id, request.form.get("do", "")
    saved = "moved" if stored.appointment is not None else "booked"
    if wanted == "cancel":
        book(services, plan_id, None, who(the_staff()))
        saved = "cancelled" if stored.appointment is not None else "same"
    elif wanted == "book":
        form = read_booking(request.form, plan_id)
        if form.appointment is None:
            return _page(person_id, booking=form)
        try:
            book(services, plan_id, form.appointment, who(the_staff()))
        except VisitError as refused:
            said = str(refused).removeprefix(f"{refused.field}: ")
            return _page(person_id, booking=replace(form, errors={"on": sentence_of(said)}))
        if form.appointment == stored.appointment:
            saved = "same"
    else:
        raise NotAllowedError("choose to move the appointment or to cancel it")
    return redirect(_saved(person_id, plan_id, saved))


def _saved(person_id: str, plan_id: str, what: str) -> str:
    """Where a plan stands on the record, with a line that says that this was saved."""
    return url_for("desk.record.show", person_id=person_id, saved=what, of=plan_id, _anchor=f"plan-{plan_id}")
