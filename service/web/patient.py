"""The patient's page: one link, no account, today first, and help never further than one tap.

Forms carry no CSRF token, and need none: nothing that a browser sends by itself (no cookie, no password) lets anybody
in. Only the address does, and a page of somebody else cannot know it. Reading a page changes nothing, since previewers
and virus scanners fetch every link; the calendar feed alone writes down what calendars were told (RFC 5546 clients
need a SEQUENCE that only rises).
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, datetime
from typing import NamedTuple

from flask import Blueprint, Response, current_app, g, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from service.calendars import content_type
from service.delivery.attachments import sheet_of, sheet_units
from service.domain.contact import Channel, Contact
from service.domain.plan import Status
from service.domain.wall_clock import to_wall, zone_named
from service.errors import ContactError, WordingError
from service.links import hash_of, page_url
from service.messages.i18n import direction
from service.messages.today import Today, what_today
from service.planning import preferences
from service.planning.as_booked import as_booked
from service.planning.calendar import feed
from service.services import Services
from service.storage.records import Person, StoredPlan
from service.storage.unit_of_work import UnitOfWork
from service.web.app import the_services
from service.web.patient_choices import CHANGES, PAUSES, Form, Misses, languages, places
from service.web.patient_questions import LONGEST_SEARCH, search
from service.web.patient_reading import booked_visit, read_for_page
from service.web.patient_recall import invitation
from service.web.patient_words import (
    Voice,
    change_units,
    frame_units,
    live,
    offers_simpler,
    picture,
    plan_units,
    recall_units,
    tel,
    voice_for,
)

bp = Blueprint("patient", __name__, url_prefix="/p")

SAID = ("done", "undone", "saved", "stopped", "started", "paused", "pause-ended")
"""Short answers after a change, by the name that the address carries after the redirect."""

ERRORS = ("times", "language", "zone", "channels", "days")
"""The fields of a ContactError that have a sentence of their own."""


class Found(NamedTuple):
    """What the link opens: the person, the plan to show (perhaps an ended one), and the marks of its doses."""

    person: Person
    stored: StoredPlan | None
    marks: frozenset[str]

    @property
    def contact(self) -> Contact:
        """Whom the page is for."""
        return self.person.contact


# --- who is it -------------------------------------------------------------------------------------------------------


@bp.before_request
def open_link() -> Response | None:
    """Every address below needs a live link. An unknown one and a revoked one get the very same answer."""
    services = the_services()
    token = (request.view_args or {}).get("token", "")
    with services.open_reading() as work:
        person_id = work.links.person_of(hash_of(token))
        if person_id is not None:
            g.token, g.person_id = token, person_id
            return None
        misses: Misses = current_app.extensions.setdefault("patient-misses", Misses())
        tired = misses.add(request.remote_addr or "", services.clock.now())
        voice = voice_for(services, work, services.clinic.language, frame_units(services))
    return show_page("gone.html", voice, code=429 if tired else 404, tired=tired)


@bp.errorhandler(WordingError)
def cannot_say(_error: WordingError) -> Response:
    """No approved words for this page: the numbers to call, and nothing else. The desk learns of it by the messages,
    which meet the same gap; a page that is only looked at writes nothing."""
    bare = render_template("patient/bare.html", clinic=the_services().clinic, tel=tel, picture=picture)
    return make_response(bare, 503)


def _found(work: UnitOfWork) -> Found:
    person = work.people.get(g.person_id)
    stored = work.plans.current(g.person_id)
    if stored is None:
        ended = (each for each in work.plans.of_person(g.person_id) if each.status is Status.COMPLETED)
        stored = next(ended, None)
    if stored is None:
        return Found(person, None, frozenset())
    return Found(person, as_booked(the_services().pack, stored), work.plans.marks(stored.id))


# --- answers ---------------------------------------------------------------------------------------------------------


def show_page(template: str, voice: Voice, *, code: int = 200, **context: object) -> Response:
    """A page of the patient, in one language."""
    said = request.args.get("said", "")
    context = {"token": g.get("token"), "said": f"page.said-{said}" if said in SAID else None, **context}
    html = render_template(
        f"patient/{template}",
        say=voice,
        language=voice.language,
        direction=direction(voice.language),
        stands_in=voice.stands_in,
        clinic=the_services().clinic,
        picture=picture,
        tel=tel,
        live=live,
        **context,
    )
    answer = make_response(html, code)
    if code == 429:
        answer.headers["Retry-After"] = "60"
    return answer


def _to(endpoint: str, said: str) -> AnyResponse:
    return redirect(url_for(f"patient.{endpoint}", token=g.token, said=said), 303)


# --- the plan --------------------------------------------------------------------------------------------------------


@bp.get("/<token>")
def plan(token: str) -> Response:
    """The plan's page."""
    services = the_services()
    with services.open_reading() as work:
        found = _found(work)
        asked = invitation(services, work, g.person_id)
        units = plan_units(services, found.stored.plan) if found.stored else frame_units(services)
        booked = booked_visit(services, work, g.person_id, found.contact, services.clock.now())
        units |= recall_units(services) | {"return.booked"} if asked is not None or booked is not None else set()
        voice = voice_for(services, work, found.contact.language, units, easy=found.contact.easy_read)
        reading = None
        if found.stored is not None:
            reading = read_for_page(services, work, found.stored, found.contact, voice, asked)
    typed = " ".join(request.args.get("q", "").split())[:LONGEST_SEARCH]
    link = page_url(services.clinic.base_url, token)
    return show_page(
        "plan.html",
        voice,
        reading=reading,
        stored=found.stored,
        contact=found.contact,
        stopped=_stopped(found.contact),
        invitation=asked,
        booked=booked,
        today=_today(services, found),
        search=search(reading.questions, typed) if reading and reading.questions else None,
        feed_url=re.sub(r"^https?:", "webcal:", f"{link}/calendar.ics"),
    )


def _stopped(contact: Contact) -> bool:
    return bool(contact.stopped) and not any(contact.reach(channel) for channel in Channel)


def _today(services: Services, found: Found) -> Today | None:
    """The day's doses; None when there is no plan to follow today (urgent, on hold, ended, none)."""
    stored = found.stored
    if stored is None or stored.status is not Status.ACTIVE or stored.plan.urgent:
        return None
    return what_today(stored.plan, found.contact, found.marks, services.clock.now(), given=stored.given)


@bp.get("/<token>/dose")
@bp.get("/<token>/start")
def only_by_a_button(token: str) -> AnyResponse:
    """Somebody opened the address of a button: show the plan, change nothing."""
    return redirect(url_for("patient.plan", token=token), 302)


@bp.post("/<token>/dose")
def dose(token: str) -> AnyResponse:
    """Mark a dose of today as done, or take the mark back. Anything else changes nothing."""
    services = the_services()
    with services.open_reading() as work:
        today = _today(services, _found(work))
    wall, done = request.form.get("wall", ""), request.form.get("done") == "1"
    for each in today.doses if today else ():
        if done and each.mark is None and wall == each.key:
            preferences.mark_dose(services, g.person_id, wall, done=True)
        elif not done and each.mark is not None and wall == each.mark:
            preferences.mark_dose(services, g.person_id, wall, done=False)
        elif wall not in (each.key, each.mark):
            continue
        return _to("plan", "done" if done else "undone")
    return redirect(url_for("patient.plan", token=token), 303)


@bp.get("/<token>/calendar.ics")
def calendar(token: str) -> AnyResponse:
    """The plan as a calendar, to download or to subscribe to."""
    services = the_services()
    with services.open_work() as work:
        found = _found(work)
        data = None
        if found.stored is not None:
            given = work.plans.get(found.stored.id)  # its courses keep the numbers that calendars know
            data = feed(services, work, given, found.contact, page_url(services.clinic.base_url, token))
        work.commit()
    if data is None:
        return redirect(url_for("patient.plan", token=token), 302)
    answer = Response(data, content_type=content_type())
    answer.headers["Content-Disposition"] = 'attachment; filename="plan.ics"'
    return answer


@bp.get("/<token>/sheet.pdf")
def sheet(token: str) -> AnyResponse:
    """The printed sheet; `?large=1` in large letters, whatever the record says."""
    services = the_services()
    with services.open_reading() as work:
        found = _found(work)
        if found.stored is None or found.stored.status is Status.COMPLETED:
            return redirect(url_for("patient.plan", token=token), 302)
        contact = replace(found.contact, large_print=found.contact.large_print or request.args.get("large") == "1")
        units = set(sheet_units(services, found.stored, contact))
        voice = voice_for(services, work, contact.language, units, easy=contact.easy_read)
        link = page_url(services.clinic.base_url, token)
        data = sheet_of(services, work, found.stored, contact, voice.language, link)
    answer = Response(data, content_type="application/pdf")
    answer.headers["Content-Disposition"] = 'inline; filename="plan.pdf"'
    return answer


# --- what the person changes -----------------------------------------------------------------------------------------


@bp.get("/<token>/change")
def change(token: str) -> Response:
    """Times, language, simpler sentences, place, ways to reach the person, pause and stop."""
    return _change_page(Form())


@bp.post("/<token>/change")
def change_one(token: str) -> AnyResponse:
    """One form of the page. What was typed stays in its fields when it cannot be used."""
    act = CHANGES.get(request.form.get("what", ""))
    if act is None:
        return _change_page(request.form, wrong="other")
    try:
        return _to("change", act(the_services(), g.person_id, request.form))
    except ContactError as error:
        return _change_page(request.form, wrong=error.field if error.field in ERRORS else "other")


def _change_page(typed: Form, *, wrong: str | None = None) -> Response:
    services = the_services()
    with services.open_reading() as work:
        contact = work.people.get(g.person_id).contact
        voice = voice_for(services, work, contact.language, change_units(services), easy=contact.easy_read)
    return show_page(
        "change.html",
        voice,
        code=400 if wrong else 200,
        contact=contact,
        typed=typed,
        wrong=wrong,
        stopped=_stopped(contact),
        paused=_pause_until(contact, services.clock.now()),
        channels=[channel for channel in Channel if has_address(contact, channel)],
        languages=languages(services.catalogs.languages),
        simpler=offers_simpler(voice, contact),
        places=places(voice.language, (contact.zone, services.clinic.zone)),
        pauses=PAUSES,
    )


def has_address(contact: Contact, channel: Channel) -> bool:
    """Whether there is a number or address for this channel, so that the person can choose it."""
    return replace(contact, channels=(channel,), stopped=frozenset()).reach(channel)


def _pause_until(contact: Contact, now: datetime) -> date | None:
    """The last day of a pause that holds now."""
    until = contact.paused_until
    return until if until is not None and to_wall(now, zone_named(contact.zone)).date() <= until else None


@bp.get("/<token>/stop")
@bp.get("/<token>/stop-now")
def ask_stop(token: str) -> Response:
    """Ask before stopping. Opening this page stops nothing."""
    return _stop_page()


def _stop_page(code: int = 200) -> Response:
    services = the_services()
    with services.open_reading() as work:
        contact = work.people.get(g.person_id).contact
        voice = voice_for(services, work, contact.language, change_units(services), easy=contact.easy_read)
    return show_page("stop.html", voice, code=code, stopped=_stopped(contact))


@bp.post("/<token>/stop")
def stop(token: str) -> AnyResponse:
    """Stop every message; the plan and this page stay."""
    _stop_once()
    return _to("plan", "stopped")


@bp.post("/<token>/stop-now")
def stop_now(token: str) -> Response:
    """One-click unsubscribe: a mail program posts here by itself, without cookies, and follows no redirect.

    Source: RFC 8058 section 3.1 and 3.2 (the body is List-Unsubscribe=One-Click, url-encoded or as form data).
    """
    if request.form.get("List-Unsubscribe") != "One-Click":
        return _stop_page(400)
    _stop_once()
    return make_response("", 200)


def _stop_once() -> None:
    """Programs press twice; the second time there is nothing left to stop, and nothing to write down."""
    services = the_services()
    with services.open_reading() as work:
        contact = work.people.get(g.person_id).contact
    if contact.stopped != frozenset(Channel):
        preferences.stop(services, g.person_id)


@bp.post("/<token>/start")
def start(token: str) -> AnyResponse:
    """Take a stop back."""
    preferences.start_again(the_services(), g.person_id)
    return _to("plan", "started")
