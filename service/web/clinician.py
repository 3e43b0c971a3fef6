"""Discharge: one page on which findings become a plan, the plan is looked at, and given."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import segno
from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service import codec
from service.delivery.attachments import sheet_of, sheet_units
from service.domain.pack import Agent, Code, StepKind, Template
from service.domain.plan import Course, Plan
from service.domain.return_time import NotFitted, Proposal, TooLittle
from service.domain.visit import Side, Visit
from service.errors import AskedOtherwiseError, NotAllowedError, NotFoundError, PlanError, VisitError
from service.links import STAND_IN, page_url, token_of
from service.messages.sheet import render_sheet
from service.planning import aftercare
from service.planning.as_booked import plan_as_booked
from service.planning.refitting import proposals
from service.planning.standing import stands
from service.services import Services
from service.storage.records import Person, StoredPlan
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.booking_said import left_booked, still_booked
from service.web.forms import EarForm, VisitForm, explain, read_form, read_key, taken, visit_of
from service.web.from_record import FromRecord, from_record
from service.web.looked import RECORD
from service.web.preview import preview

bp = Blueprint("clinician", __name__)

LINK_SHOWN = timedelta(minutes=10)
"""How long after giving a plan its link is shown to the one who gave it. Our choice: time to scan and to print."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarProposal:
    """What is shown of one ear after a proposal: what may be chosen instead, and the days until its return."""

    side: Side
    proposed: Template | None
    used: Template | None
    alternatives: tuple[Template, ...]
    others: tuple[Template, ...]
    agent: Agent | None
    agents: tuple[Agent, ...]
    return_within: tuple[int, int] | None
    return_on: date | None
    from_record: FromRecord | None
    with_the_other: bool = False  # seen on the sooner day of the other ear, which was set by hand


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Why the plan was not given though the button was pressed. `used`: the plan that this form gave before."""

    said: str
    used: str = ""
    code: int = 200


@bp.route("/people/<person_id>/discharge", methods=["GET", "POST"])
@needs("clinician")
def discharge(person_id: str) -> BaseResponse | Response:
    """Tick, propose, look, give: every step comes back to this page with everything that was ticked."""
    services, now = the_services(), the_services().clock.now()
    person, current = _open(services, person_id, now)
    if request.method == "GET":
        return _page(services, person, current, _blank(services, person, current, now), now)
    if request.form.get("do") == "give":
        return _give(services, person, current, now)
    return _propose(services, person, current, now)


def _propose(
    services: Services, person: Person, current: StoredPlan | None, now: datetime, conflict: Conflict | None = None
) -> Response:
    """The page with the proposal for what is ticked; `conflict` says why it was not given."""
    form, notes = _read()
    try:
        visit = visit_of(form, on=services.day_of(now), born=person.born)
        plan = aftercare.propose(services, visit)
    except PlanError as refused:
        bare = _bare_plan(services, person, form, now)
        return _page(services, person, current, form, now, notes=notes, refused=refused, plan=bare, conflict=conflict)
    mark = _mark(visit, plan, person, current)
    return _page(services, person, current, form, now, notes=notes, visit=visit, plan=plan, mark=mark,
                 conflict=conflict)  # fmt: skip


def _give(services: Services, person: Person, current: StoredPlan | None, now: datetime) -> BaseResponse | Response:
    """Give what was previewed, once, however often the button is pressed; or show again what stands in the way."""
    key = read_key(request.form)
    asked = (key, _digest(person.id)) if key is not None else None
    form, _ = _read()
    try:
        earlier = aftercare.answered(services, asked) if asked is not None else None
        if earlier is None:
            visit = visit_of(form, on=services.day_of(now), born=person.born)
            plan = aftercare.propose(services, visit)
            if form.previewed != _mark(visit, plan, person, current):
                conflict = Conflict(
                    said="Something changed after the preview, so the plan was not given. "
                    "Look at it again, then give it."
                )
                return _propose(services, person, current, now, conflict)
            replacing = current.id if current is not None else None
            earlier = aftercare.give(
                services, person.id, visit, who(the_staff()), replacing=replacing, request=asked, plan=plan
            ).id
    except PlanError:
        return _propose(services, person, current, now)
    except NotAllowedError as refused:
        used = refused.plan_id if isinstance(refused, AskedOtherwiseError) else ""
        with services.open_reading() as work:
            person, current = work.people.get(person.id), work.plans.current(person.id)
        return _propose(services, person, current, now, Conflict(said=_why_not(refused), used=used, code=409))
    return redirect(url_for("clinician.given", plan_id=earlier))


def _why_not(refused: NotAllowedError) -> str:
    if isinstance(refused, AskedOtherwiseError):
        return (
            "This form was used already: a plan was given from it. What is ticked now is different, and was not given. "
            "All of it is still here. Leave this page if the given plan is right, or look at the proposal again and "
            "give it as a new plan."
        )
    return (
        "Another plan was given to this person meanwhile, so this one was not given. All that you ticked is still "
        "here. Look at the proposal again, then give it if it should take the other plan’s place."
    )


def _read() -> tuple[VisitForm, list[str]]:
    """The form that was sent, without choices that no longer fit the ticks; and what was let go, in words."""
    form = taken(read_form(request.form, frozenset(the_services().pack.rules)), request.form.get("do", ""))
    notes = [
        f"What was chosen for the {side} ear was let go, because its ticks changed. Look at the new proposal."
        for side in form.outdated
    ]
    return _without_outdated(form), notes


def _digest(person_id: str) -> str:
    """Of all that was asked, whoever's session the form came from."""
    sent = sorted((name, values) for name, values in request.form.lists() if name != "csrf")
    return hashlib.sha256(json.dumps([person_id, sent]).encode()).hexdigest()


@bp.post("/people/<person_id>/sheet")
@needs("clinician")
def sheet_preview(person_id: str) -> Response:
    """The printed sheet of the plan as it is ticked now; nothing is stored."""
    services, now = the_services(), the_services().clock.now()
    person, _ = _open(services, person_id, now)
    form = _without_outdated(read_form(request.form, frozenset(services.pack.rules)))
    visit = visit_of(form, on=services.day_of(now), born=person.born)
    plan = aftercare.propose(services, visit)
    with services.open_reading() as work:
        seen = preview(services, work, plan, visit, person.contact, now)
    pdf = render_sheet(
        seen.reading,
        link=page_url(services.clinic.base_url, STAND_IN),
        large_print=person.contact.large_print,
        draft_note="Preview. Not given yet.",
        questions=services.pack.questions_on_sheet,
    )
    return pdf_answer(pdf)


@bp.get("/plans/<plan_id>/given")
@needs("clinician")
def given(plan_id: str) -> str:
    """The plan was given: the sheet to print, and the person's link to scan, shown for a short while only."""
    services, now, staff = the_services(), the_services().clock.now(), the_staff()
    with services.open_work() as work:
        stored = work.plans.get(plan_id)
        person = work.people.get(stored.person_id)
        work.ledger.note(who(staff), RECORD, person.id, now)
        link = ""
        if stored.by == who(staff) and now - stored.given <= LINK_SHOWN:
            link_id = work.links.live_id(person.id)
            if link_id is not None:
                link = page_url(services.clinic.base_url, token_of(services.secret_key, link_id))
                work.ledger.note(who(staff), "link-shown", person.id, now)
        waiting = sum(1 for m in work.messages.of_person(person.id) if m.plan_id == plan_id)
        booked = left_booked(services, work, stored, now)
        work.commit()
    code = segno.make(link, error="m", micro=False).svg_data_uri(scale=5, border=4) if link else ""
    return render_template(
        "staff/given.html", stored=stored, person=person, link=link, code=code, waiting=waiting, booked=booked
    )


@bp.get("/plans/<plan_id>/sheet.pdf")
@needs()
def sheet(plan_id: str) -> Response:
    """The printed sheet of a given plan, in the person's language if that is approved."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        stored = work.plans.get(plan_id)
        person = work.people.get(stored.person_id)
        units = sheet_units(services, stored, person.contact)
        language = services.wordings(work).choose_language(person.contact.language, units).language
        link = page_url(services.clinic.base_url, aftercare.live_link(services, work, person.id, now))
        pdf = sheet_of(services, work, stored, person.contact, language, link)
        work.ledger.note(who(the_staff()), "sheet-printed", plan_id, now, language=language)
        work.commit()
    return pdf_answer(pdf)


def pdf_answer(pdf: bytes) -> Response:
    """A PDF that opens in the browser, ready to print."""
    answer = make_response(pdf)
    answer.headers["Content-Type"] = "application/pdf"
    answer.headers["Content-Disposition"] = 'inline; filename="plan.pdf"'
    return answer


def _open(services: Services, person_id: str, now: datetime) -> tuple[Person, StoredPlan | None]:
    with services.open_work() as work:
        person = work.people.get(person_id)
        current = work.plans.current(person_id)
        work.ledger.note(who(the_staff()), RECORD, person_id, now)
        work.commit()
    if person.contact.died is not None:
        raise NotFoundError("this person is recorded as having died; if that is a mistake, mend it in the record first")
    if person.contact.left is not None:
        raise NotFoundError("this person is recorded as moved away; if that is a mistake, mend it in the record first")
    return person, current


def _blank(services: Services, person: Person, current: StoredPlan | None, now: datetime) -> VisitForm:
    """The form before anything is ticked: with the history on record, and the appointment that stands. Who clears it
    says that it does not stand any more, and a person is asked to cancel it."""
    form = VisitForm(history=aftercare.lasting_history(services.pack, person.history))
    if current is None or current.booked is None or not stands(services, current, now):
        return form
    on, at = current.booked
    return replace(form, next_appointment=on, next_appointment_time=at)


def _without_outdated(form: VisitForm) -> VisitForm:
    """The form without the choices that `visit_of` leaves out, so that the page shows what counts."""
    cleared = {
        side: EarForm(findings=form.ears[side].findings, removed_by=form.ears[side].removed_by)
        for side in form.outdated
    }
    return replace(form, ears={**form.ears, **cleared})


def _bare_plan(services: Services, person: Person, form: VisitForm, now: datetime) -> Plan | None:
    """The proposal for the same ticks without choices and overrulings: it shows again the fields that need mending."""
    ears = {side: EarForm(findings=ear.findings, removed_by=ear.removed_by) for side, ear in form.ears.items()}
    bare = replace(form, ears=ears, next_appointment="", next_appointment_time="")
    try:
        return aftercare.propose(services, visit_of(bare, on=services.day_of(now), born=person.born))
    except PlanError:  # the ticks themselves are refused; the page says why
        return None


def _mark(visit: Visit, plan: Plan, person: Person, current: StoredPlan | None) -> str:
    """Pins what was previewed: the same ticks, plan, contact and earlier plan. So nothing unseen is given, and a
    second click on the button gives no second plan. Choices of the clinic that leave this plan as it was do not
    count."""
    same = replace(plan, choices_revision=0)
    seen = (codec.dump(visit), codec.dump(same), codec.dump(person.contact), current.id if current else "")
    return hashlib.sha256("\x00".join(seen).encode()).hexdigest()


def _page(
    services: Services,
    person: Person,
    current: StoredPlan | None,
    form: VisitForm,
    now: datetime,
    *,
    notes: list[str] | None = None,
    refused: PlanError | None = None,
    visit: Visit | None = None,
    plan: Plan | None = None,
    mark: str = "",
    conflict: Conflict | None = None,
) -> Response:
    pack, today = services.pack, services.day_of(now)
    seen, on_record = None, dict[Side, Proposal | TooLittle | NotFitted]()
    if plan is not None and visit is not None:
        with services.open_reading() as work:
            seen = preview(services, work, plan, visit, person.contact, now)
            on_record = proposals(services, work, person.id, visit, plan)
    ears = []
    if plan is not None and not plan.urgent:
        ears = [
            replace(_ear_proposal(services, plan, side, on_record.get(side)), with_the_other=_follows(form, plan, side))
            for side in plan.ears
        ]
    error = explain(refused, pack) if isinstance(refused, VisitError) else str(refused or "")
    page = render_template(
        "staff/discharge.html",
        person=person,
        today=today,
        age=Visit(on=today, born=person.born).age if person.born and person.born <= today else None,
        form=form,
        groups=groups_of(pack.findings),
        flags=[code for code in pack.findings.values() if code.red_flag],
        history=groups_of(pack.history),
        history_flags=[code for code in pack.history.values() if code.red_flag],
        methods=list(pack.methods.values()),
        pack=pack,
        sides=tuple(Side),
        notes=notes or [],
        error=error,
        error_field=refused.field if isinstance(refused, VisitError) else "",
        plan=plan,
        ears=ears,
        seen=seen,
        mark=mark,
        current=current,
        open_courses=open_courses(current, today),
        still_booked=still_booked(services, current, visit, plan, now),
        conflict=conflict,
        key=services.new_id(),
    )
    return make_response(page, conflict.code if conflict and conflict.code != 200 else 422 if refused else 200)


def groups_of(codes: Mapping[str, Code]) -> dict[str, list[Code]]:
    """Codes by group, in order of first appearance; red flags are shown apart."""
    found: dict[str, list[Code]] = {}
    for code in codes.values():
        if not code.red_flag:
            found.setdefault(code.group, []).append(code)
    return found


def open_courses(current: StoredPlan | None, today: date) -> list[Course]:
    """The courses of the present plan that still run: a new plan ends them."""
    if current is None:
        return []
    plan = plan_as_booked(the_services().pack, current)
    return [course for course in plan.courses if course.first_day + timedelta(days=course.days) > today]


def _follows(form: VisitForm, plan: Plan, side: Side) -> bool:
    """Whether this ear is due on the day that was typed for the other one."""
    other = next(each for each in Side if each is not side)
    if form.ears[side].return_days or not form.ears[other].return_days:
        return False
    days = {each: back.on for back in plan.returns for each in back.ears.sides}
    return side in days and days[side] == days.get(other)


def _ear_proposal(
    services: Services, plan: Plan, side: Side, on_record: Proposal | TooLittle | NotFitted | None
) -> EarProposal:
    pack, ear = services.pack, plan.ears[side]
    used = pack.templates.get(ear.template)
    with services.open_reading() as work:
        off = services.choices_now(work).choices.templates_off
    offered = [t for t in pack.templates.values() if t.id not in off]
    near = (ear.template, ear.proposed, *ear.alternatives)
    step = next((s for s in plan.steps_of(StepKind.INSTIL) if side in s.ears.sides and s.course is not None), None)
    course = step.course if step is not None else None
    agents = tuple(
        pack.agents[name] for name in ear.agents_allowed if course and course.purpose in pack.agents[name].regimens
    )
    back = next((r for r in plan.returns if side in r.ears.sides), None)
    return EarProposal(
        side=side,
        proposed=pack.templates.get(ear.proposed),
        used=used,
        alternatives=tuple(pack.templates[name] for name in ear.alternatives if name != ear.proposed),
        others=tuple(sorted((t for t in offered if t.id not in near), key=lambda t: t.label)),
        agent=pack.agents[course.agent] if course else None,
        agents=agents,
        return_within=((back.earliest - plan.on).days, (back.latest - plan.on).days) if back else None,
        return_on=back.on if back else None,
        from_record=from_record(on_record) if on_record is not None else None,
    )
