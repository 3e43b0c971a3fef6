"""People: find, add and correct them; and the list of what needs a person."""

from __future__ import annotations

import hashlib
from zoneinfo import available_timezones

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.contact import Channel
from service.domain.recall import Recall
from service.errors import NotAllowedError, NotFoundError
from service.inbound.calendar_replies import DECLINED as CALENDAR_DECLINED
from service.inbound.replies import ASK, STOP_UNSURE, Meaning
from service.inbound.rounds import MAILBOX_TROUBLE
from service.planning.attention import (
    CHANGED,
    MISSED,
    NOT_ASKED,
    PERHAPS,
    SETTLED_BY_BOOKING,
    SOFTEN_AGAIN,
    STANDS,
    UNTOLD,
    WRONG_PERSON,
)
from service.planning.people import add_person, correct_person
from service.planning.preferences import start_channel_in
from service.planning.standing import over_but_booked
from service.services import Services
from service.web import record
from service.web.access import needs, the_staff, who
from service.web.app import the_services, the_settings
from service.web.calling import named, said_not_to_be_theirs
from service.web.looked import RECORD, Listed, put_on_record
from service.web.person_form import Allowed, PersonForm, read_person, typed_of
from service.web.reasons import label

bp = Blueprint("desk", __name__)
bp.register_blueprint(record.bp)

ABOUT_RECALL = frozenset({*SETTLED_BY_BOOKING, WRONG_PERSON, MISSED, NOT_ASKED})
"""Reasons of the attention list that are decided on the page of the recall."""
ABOUT_APPOINTMENT = frozenset({CHANGED, UNTOLD, STANDS, SOFTEN_AGAIN, CALENDAR_DECLINED, PERHAPS})
"""Reasons for which somebody rings the person about an appointment."""
MOST_SHOWN = 50
"""People on one page of the list. Our choice: more is faster found by typing a name."""

MOST_LISTED = 200
"""Entries of each part of the attention list on one page. Our choice; done ones make room for the next."""


@bp.get("/people")
@needs()
def people() -> str:
    """The list of people, searched by name or date of birth."""
    words = request.args.get("q", "")[:200]
    with the_services().open_reading() as work:
        found = work.people.search(words, MOST_SHOWN)
    put_on_record(Listed.PEOPLE, (each.id for each in found))
    return render_template("staff/people.html", found=found, words=words, full=len(found) == MOST_SHOWN)


@bp.route("/people/new", methods=["GET", "POST"])
@needs()
def new_person() -> Response | BaseResponse:
    """Add a person. After a mistake the form comes back with everything typed."""
    services = the_services()
    if request.method == "GET":
        typed = {"language": services.clinic.language, "zone": services.clinic.zone, "reminders": "every-dose"}
        return _form_page(PersonForm(typed=typed), None)
    form = read_person(request.form, _allowed())
    if form.contact is None:
        return _form_page(form, None)
    person = add_person(services, form.name, form.born, form.contact, who(the_staff()))
    return redirect(url_for("desk.record.show", person_id=person.id))


@bp.route("/people/<person_id>/contact", methods=["GET", "POST"])
@needs()
def correct(person_id: str) -> Response | BaseResponse:
    """Correct a person; what is still unsent follows at once."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        work.ledger.note(who(the_staff()), RECORD, person_id, now)
        work.commit()
    if request.method == "GET":
        return _form_page(PersonForm(typed=typed_of(person.name, person.born, person.contact)), person_id)
    form = read_person(request.form, _allowed())
    if form.contact is None:
        return _form_page(form, person_id)
    correct_person(services, person_id, form.name, form.born, form.contact, who(the_staff()))
    return redirect(url_for("desk.record.show", person_id=person_id))


def _allowed() -> Allowed:
    services, settings = the_services(), the_settings()
    return Allowed(
        languages=services.catalogs.languages,
        region=settings.region,
        fiction=settings.allow_fiction,
        today=services.day_of(services.clock.now()),
    )


def _form_page(form: PersonForm, person_id: str | None) -> Response:
    page = render_template(
        "staff/person_form.html",
        form=form,
        person_id=person_id,
        languages=the_services().catalogs.languages,
        zones=sorted(name for name in available_timezones() if "/" in name and not name.startswith("Etc/")),
    )
    return make_response(page, 422 if form.errors else 200)


@bp.get("/attention")
@needs()
def attention() -> str:
    """What needs a person: words that may warn first, then the rest, then words of strangers; each oldest first, but of
    the rest before all others what is about a recall on which much depends. One sender's words are one entry."""
    services, now = the_services(), the_services().clock.now()
    with services.open_reading() as work:
        warnings = work.ledger.attention(MOST_LISTED, only=Meaning.WARNING)
        entries = work.ledger.attention(MOST_LISTED, but=Meaning.WARNING)
        strange_warnings = work.inbound.piles(MOST_LISTED, warnings=True)
        strangers = work.inbound.piles(MOST_LISTED, warnings=False)
        people = {each: work.people.get(each) for each in {entry.person_id for entry in (*warnings, *entries)}}
        piles = {
            entry.id: work.inbound.pile_of(entry, people[entry.person_id].contact)
            for entry in (*warnings, *entries)
            if entry.reason in ASK
        }
        recalls = work.recall_views.that_count([entry.person_id for entry in entries if entry.reason in ABOUT_RECALL])
        heavy = {person for person in recalls if _much_depends(services, work.recalls.newest_of(person))}
        not_theirs = {each: said_not_to_be_theirs(work, each, person.contact) for each, person in people.items()}
        standing = {
            entry.id: over_but_booked(services, work, entry.person_id, now)
            for entry in entries
            if entry.reason == STANDS
        }
        trouble = work.ledger.fact(MAILBOX_TROUBLE)
    put_on_record(Listed.ATTENTION, people)
    return render_template(
        "staff/attention.html",
        warnings=warnings,
        entries=sorted(entries, key=lambda entry: not (entry.reason in ABOUT_RECALL and entry.person_id in heavy)),
        strange_warnings=strange_warnings,
        strangers=strangers,
        people=people,
        piles=piles,
        recalls={entry.id: recalls.get(entry.person_id) for entry in entries if entry.reason in ABOUT_RECALL},
        to_call=ABOUT_RECALL | ABOUT_APPOINTMENT,
        not_theirs=not_theirs,
        wrong={
            entry.id: named(not_theirs[entry.person_id], people[entry.person_id].contact)
            for entry in entries
            if entry.reason == WRONG_PERSON
        },
        standing={entry: found[0].id for entry, found in standing.items() if found},
        stands=STANDS,
        trouble=trouble.partition(": ")[2] if trouble else "",
        full=any(len(part) == MOST_LISTED for part in (warnings, strange_warnings, entries, strangers)),
        label=label,
    )


def _much_depends(services: Services, recall: Recall | None) -> bool:
    return recall is not None and services.pack.recall.much_depends(recall.window.weight)


@bp.post("/attention/<int:entry_id>/done")
@needs()
def attention_done(entry_id: int) -> BaseResponse:
    """Somebody saw to it: to what the page showed, and not to what came in since. An e-mail stop that was not the
    person's own is taken back with it. Raises NotFoundError, NotAllowedError."""
    services, staff = the_services(), who(the_staff())
    now = services.clock.now()
    with services.open_work() as work:
        entry = work.inbound.entry(entry_id)
        contact = work.people.get(entry.person_id).contact
        pile = work.inbound.pile_of(entry, contact) if entry.reason in ASK else None
        seen = request.form.get("seen", "")
        if pile is not None and pile.count > (int(seen) if seen.isdecimal() else 1):
            raise NotAllowedError("they wrote again after you opened the list: look at it again, and read that as well")
        if entry.reason == STOP_UNSURE and request.form.get("do") == "start-again":
            start_channel_in(services, work, entry.person_id, Channel.EMAIL, staff, "not-theirs")
        work.ledger.attention_done(entry_id, staff, now)
        work.ledger.note(staff, "attention-done", f"attention:{entry_id}", now)
        work.commit()
    return redirect(url_for("desk.attention"))


@bp.post("/attention/strangers/done")
@needs()
def stranger_done() -> BaseResponse:
    """Somebody saw to the words of a stranger, up to those named. Raises NotFoundError."""
    services, staff = the_services(), who(the_staff())
    inbound_id, now = request.form.get("id", ""), services.clock.now()
    with services.open_work() as work:
        channel = next((each for each in Channel if each.value == request.form.get("channel")), None)
        stored = work.inbound.get(channel, inbound_id) if channel is not None else None
        if channel is None or stored is None:
            raise NotFoundError("these words are not on the list")
        work.inbound.handle(channel, inbound_id, staff, now)
        # The far side chose the id, and it may hold an address: the record keeps its hash.
        mark = hashlib.sha256(inbound_id.encode(errors="replace")).hexdigest()[:16]
        work.ledger.note(staff, "stranger-done", f"inbound:{channel}:{mark}", now)
        work.commit()
    return redirect(url_for("desk.attention"))
