"""Answers to an invitation, one tap each: added to the addresses of the patient's page, behind the same link."""

from __future__ import annotations

from datetime import timedelta

from flask import Response, g, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from service.domain.contact import Channel
from service.domain.recall import Answer
from service.errors import NotAllowedError
from service.planning.recalling import answer_in, wrong_person_in
from service.storage.unit_of_work import UnitOfWork
from service.web.app import the_services
from service.web.patient import bp, show_page
from service.web.patient_recall import invitation
from service.web.patient_words import frame_units, recall_units, voice_for

__all__ = ["bp"]


@bp.get("/<token>/answer")
def answer_by_a_button(token: str) -> AnyResponse:
    """Somebody opened the address of a button: show the plan, answer nothing."""
    return redirect(url_for("patient.plan", token=token), 302)


@bp.post("/<token>/answer")
def answer(token: str) -> AnyResponse:
    """One answer to the invitation. Pressing it twice gives the same answer; another one takes its place."""
    services, now = the_services(), the_services().clock.now()
    wanted = request.form.get("answer", "")
    if wanted == Answer.WRONG.value:
        return _wrong()
    if wanted in set(Answer):
        with services.open_work() as work:
            later = None
            if wanted == Answer.LATER.value:
                weeks, asked = request.form.get("weeks", ""), invitation(services, work, g.person_id)
                if asked is None or weeks not in {str(each) for each in asked.later}:
                    return redirect(url_for("patient.plan", token=token), 303)
                later = services.day_of(now) + timedelta(weeks=int(weeks))
            try:
                answer_in(services, work, g.person_id, Answer(wanted), by="page", now=now, later=later)
            except NotAllowedError:  # a visit was booked since the page was opened: the page shows it
                return redirect(url_for("patient.plan", token=token), 303)
            work.commit()
        services.wake()
    return redirect(url_for("patient.plan", token=token, _anchor="visit"), 303)


def _wrong() -> Response:
    """It was not for whoever reads it: nothing more goes there, and this page must not open again."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        language = work.people.get(g.person_id).contact.language
        voice = voice_for(services, work, language, frame_units(services) | recall_units(services))
        wrong_person_in(services, work, g.person_id, _came_by(work, g.person_id), now, by="page")
        work.links.revoke_all(g.person_id, now)
        work.commit()
    services.wake()
    return show_page("wrong.html", voice)


def _came_by(work: UnitOfWork, person_id: str) -> frozenset[Channel]:
    """By which ways whoever reads this can have come. A link is a person's and not a message's, so these are all that
    an invitation of the present recall took; text and mail when none is known."""
    recall = work.recalls.newest_of(person_id)
    ways = work.recalls.ways_invited(recall) if recall is not None else frozenset[Channel]()
    return ways or frozenset({Channel.TEXT, Channel.EMAIL})
