"""The demo's tray: messages as they would arrive, and a clock that can be wound forward. Nothing leaves the machine."""

from __future__ import annotations

from datetime import timedelta

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.delivery.attachments import sheet_of
from service.delivery.pretend import WindableClock, Wound, wind, wind_to_next
from service.domain.contact import Channel
from service.domain.message import State
from service.domain.window import DEFAULT, WINDOWS
from service.errors import NotAllowedError, NotFoundError
from service.links import STAND_IN, page_url, token_of
from service.messages.address_page import render_address_page
from service.messages.compose import says_whole_plan
from service.planning.aftercare import live_link
from service.web import access
from service.web.app import the_services
from service.web.clinician import pdf_answer

bp = Blueprint("demo", __name__)

JUMPS = {"day": timedelta(days=1), "week": timedelta(weeks=1), "month": timedelta(days=30)}
SHOWN = 40
"""Messages on the tray. Our choice."""


@bp.get("/demo")
def tray() -> Response:
    """What would have arrived, newest first, and the pretended time."""
    services, now = the_services(), the_services().clock.now()
    access.current_staff()
    with services.open_reading() as work:
        messages = work.messages.recent([State.SENT, State.DELIVERED], limit=SHOWN)
        next_look = work.messages.next_look()
        people = {m.person_id: work.people.get(m.person_id) for m in messages}
        tokens = {}
        for person_id in people:
            link_id = work.links.live_id(person_id)
            tokens[person_id] = token_of(services.secret_key, link_id) if link_id else ""
    page = render_template(
        "staff/demo.html",
        messages=[(m, _with_link(m.text or "", tokens[m.person_id])) for m in messages],
        people=people,
        now=now,
        next_look=next_look,
        windable=isinstance(services.clock, WindableClock),
        token=access.form_token(),
        said=_said(),
    )
    answer = make_response(page)
    access.plant_form_token(answer)
    return answer


@bp.post("/demo/clock")
def clock() -> BaseResponse:
    """Wind the clock to the next message, or a day, a week or a month on; everything due on the way goes out."""
    access.check_form_token()
    services = the_services()
    if not isinstance(services.clock, WindableClock):
        raise NotAllowedError(
            "this service runs on the real clock, which cannot be wound; set pretend_clock for a demo"
        )
    wanted, before = request.form.get("to", ""), services.clock.now()
    if wanted == "message":
        wound = wind_to_next(services, services.clock)
    elif wanted in JUMPS:
        wound = wind(services, services.clock, before + JUMPS[wanted])
    else:
        raise NotAllowedError("wind the clock to the next message, or by a day, a week or a month")
    access.keep_through(wound.reached - before)
    return redirect(url_for("demo.tray", sent=wound.sent, whole=int(wound.whole)))


@bp.get("/demo/letters/<message_id>.pdf")
def letter(message_id: str) -> Response:
    """A letter as it would be printed."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        message = work.messages.get(message_id)
        if message.channel is not Channel.LETTER or message.language is None:
            raise NotFoundError("this message is not a letter")
        stored, person = work.plans.get(message.plan_id), work.people.get(message.person_id)
        token = live_link(services, work, person.id, now)
        link = page_url(services.clinic.base_url, token)
        if says_whole_plan(message.planned.kind, Channel.LETTER):
            pdf = sheet_of(services, work, stored, person.contact, message.language, link)
        else:  # the words on the page for the window of the envelope
            pdf = render_address_page(
                (message.to or "").splitlines(),
                services.clinic,
                WINDOWS[DEFAULT],
                language=message.language,
                dated=services.day_of(now),
                words=_with_link(message.text or "", token),
                link=link,
                large_print=person.contact.large_print,
            )
        work.commit()
    return pdf_answer(pdf)


def _with_link(text: str, token: str) -> str:
    return text.replace(STAND_IN, token) if token else text


def _said() -> Wound | None:
    """What the last winding did, for the line at the top."""
    sent = request.args.get("sent", "")
    if not sent.isdecimal():
        return None
    return Wound(reached=the_services().clock.now(), sent=int(sent[:6]), whole=request.args.get("whole") == "1")
