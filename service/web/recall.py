"""The recall board: who is due back, month by month, the load of the coming weeks, and what a person decides."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import NamedTuple

from flask import Blueprint, Response, abort, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.pack import Template
from service.domain.plan import Plan
from service.domain.recall import Answer, Ended, RecallState, Standing, invitation_number, invitation_round, standing
from service.domain.recall_settings import RecallSettings
from service.domain.visit import Side
from service.errors import NotAllowedError, SettingsError
from service.planning.posting import clinic_prints
from service.planning.recall_board import LISTED, ONLY_CLINICIAN, Decision, Week, decide, look, may_decide
from service.planning.recall_settings import RECALL_SETTINGS, save_settings, settings_now
from service.services import Services
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.calling import said_not_to_be_theirs
from service.web.looked import RECORD, Listed, put_on_record
from service.web.recall_form import (
    LONGEST_REASON,
    OVERTAKEN,
    Mistake,
    SettingsForm,
    in_words_of_the_form,
    read_settings,
)
from service.web.shown import CHANNELS, sentence_of

bp = Blueprint("recall", __name__)

STANDINGS: dict[Standing, str] = {
    Standing.DUE: "Due",
    Standing.OVERDUE: "Overdue",
    Standing.INVITED: "Invited",
    Standing.ANSWERED: "Wants to come",
    Standing.BOOKED: "Booked",
    Standing.SEEN: "Seen",
    Standing.CLOSED: "Closed",
}
BY_WEIGHT = "the heaviest first, and of equal weight the one whose latest day is nearest or longest past"
ALL_IN_ORDER = (
    "first who wants to come, the longest waiting first; then the overdue, the heaviest and then the longest overdue "
    "first; then the rest, by weight and latest day"
)
ORDERS: dict[Standing, str] = {
    Standing.ANSWERED: "the longest waiting first",
    Standing.OVERDUE: "the heaviest first, then the longest overdue",
    Standing.BOOKED: "by the day of the appointment",
    Standing.SEEN: "the latest first",
    Standing.CLOSED: "the latest first",
}
"""How each list is ordered (see `RecallViews.listed`)."""
ENDS: dict[Ended, str] = {
    Ended.DECLINED: "does not want the visit",
    Ended.ELSEWHERE: "was seen elsewhere",
    Ended.LEFT: "has moved away",
    Ended.DIED: "has died",
    Ended.NOT_NEEDED: "not needed, a clinician decided",
    Ended.NO_ANSWER: "no answer, a person decided",
    Ended.REPLACED: "another plan took its place",
}
ANSWERS: dict[Answer, str] = {
    Answer.BOOK: "wants to come",
    Answer.LATER: "asked for later",
    Answer.NO: "does not want the visit",
    Answer.ELSEWHERE: "was seen elsewhere",
    Answer.WRONG: "this number or address is not theirs",
}
WAYS: dict[str, str] = {"page": "on their page", **{channel.value: f"by {name}" for channel, name in CHANNELS.items()}}
DONE: dict[str, str] = {
    "recall-answered": "answered",
    "recall-decided": "decided",
    "recall-ended": "ended it",
    "recall-reopened": "opened it again",
}
DECISIONS: dict[Decision, str] = {
    Decision.INVITE: "Invite again",
    Decision.SEEN: "They came: the visit is recorded elsewhere",
    Decision.DECLINED: "They do not want the visit",
    Decision.ELSEWHERE: "They were seen elsewhere",
    Decision.NO_ANSWER: "Close it: no answer",
    Decision.NOT_NEEDED: "Close it: the visit is not needed",
    Decision.LEAVE: "Leave it closed: nothing more is asked",
}


class Bar(NamedTuple):
    """One week as it is drawn: places in the picture, in its own units."""

    week: Week
    x: float
    capacity_y: float
    expected_y: float
    booked_y: float


WIDTH, HEIGHT = 780.0, 180.0


def bars(weeks: tuple[Week, ...]) -> tuple[list[Bar], float]:
    """The weeks as bars, and the visits that the full height stands for."""
    top = max([1.0, *(max(each.capacity, each.expected, each.booked) for each in weeks)]) * 1.1
    step = WIDTH / max(len(weeks), 1)

    def y(visits: float) -> float:
        return round(HEIGHT - HEIGHT * visits / top, 1)

    drawn = [
        Bar(each, round(number * step, 1), y(each.capacity), y(each.expected), y(each.booked))
        for number, each in enumerate(weeks)
    ]
    return drawn, top


class DueEar(NamedTuple):
    """One ear that is to be looked at again: which, the aftercare that asks for it, and its own day (local)."""

    side: Side
    kind: str
    on: date


def due_ears(plan: Plan, templates: Mapping[str, Template]) -> list[DueEar]:
    """The ears of a plan that have a return, right before left: each with its own kind, so that no side is mistaken."""
    days = {side: each.on for each in plan.returns for side in each.ears.sides}
    names = {side: plan.ears[side].template for side in Side if side in days}
    return [DueEar(side, templates[n].label if n in templates else n, days[side]) for side, n in names.items()]


@bp.get("/recall")
@needs()
def board() -> str:
    """The board, and the list that was asked for; who saw whom on it goes on record."""
    services = the_services()
    asked = request.args.get("standing", "")
    chosen = Standing(asked) if asked in set(Standing) else None
    month = _month(request.args.get("month", ""))
    with services.open_reading() as work:
        shown = look(services, work, chosen, month)
        not_theirs = {
            each.recall.person_id
            for each in shown.listed
            if each.phone_is_bad and Channel.TEXT in said_not_to_be_theirs(work, each.recall.person_id)
        }
    put_on_record(Listed.RECALLS, (each.recall.person_id for each in shown.listed))
    drawn, top = bars(shown.weeks)
    return render_template(
        "staff/recall.html",
        board=shown,
        not_theirs=not_theirs,
        standings=STANDINGS,
        ends=ENDS,
        answers=ANSWERS,
        chosen=chosen,
        month=month,
        limit=LISTED,
        order=ORDERS.get(chosen, BY_WEIGHT) if chosen is not None else ALL_IN_ORDER,
        bars=drawn,
        top=top,
        width=WIDTH,
        height=HEIGHT,
        step=WIDTH / max(len(drawn), 1),
        templates=services.pack.templates,
        heavy=services.pack.recall.heavy_weight,
        may_set="lead" in the_staff().roles,
    )


def _month(text: str) -> date | None:
    if not text:
        return None
    try:
        found = date.fromisoformat(f"{text}-01")
    except ValueError:
        abort(404)
    if found.year == date.max.year:  # has no month after its last
        abort(404)
    return found


@bp.get("/recall/<recall_id>")
@needs()
def show(recall_id: str) -> Response:
    """One recall: why, when, what was sent and answered, and what can be decided."""
    return _one(recall_id)


def _one(recall_id: str, *, wrong: str = "", field: str = "", code: int = 200) -> Response:
    services = the_services()
    now = services.clock.now()
    with services.open_work() as work:
        recall = work.recalls.get(recall_id)
        person = work.people.get(recall.person_id)
        messages = [
            m
            for m in work.messages.of_person(recall.person_id)
            if m.planned.kind is MessageKind.RETURN_DUE and m.plan_id == recall.plan_id
            if m.handed is not None or not m.superseded  # what went out is shown for ever, what waits while it holds
        ]
        letters = [m.id for m in messages if m.state is State.SENT and m.channel is Channel.LETTER]
        posted = {each: work.letters.get(each).posted for each in letters} if clinic_prints(services) else {}
        out = work.recalls.invitations_out([recall]).get(recall.id, 0)
        stored = work.plans.get(recall.plan_id)
        appointment = stored.appointment
        allowed = may_decide(work, recall, person.contact)
        not_theirs = said_not_to_be_theirs(work, person.id, person.contact)
        history = work.ledger.history(recall_id)
        work.ledger.note(who(the_staff()), RECORD, recall.person_id, now)
        work.commit()
    template = services.pack.templates.get(recall.window.template)
    clinical = bool(the_staff().roles & {"clinician", "lead"})
    page = render_template(
        "staff/recall_one.html",
        recall=recall,
        person=person,
        messages=messages,
        posted=posted,
        number=invitation_number,
        round_of=invitation_round,
        standing=STANDINGS[standing(recall, services.day_of(now), out)],
        ears=due_ears(stored.plan, services.pack.templates),
        why=template.about if template is not None else "",
        heavy=services.pack.recall.much_depends(recall.window.weight),
        ends=ENDS,
        answers=ANSWERS,
        ways=WAYS,
        done=DONE,
        decided=DECISIONS,
        history=history,
        appointment=appointment,
        on_record=url_for(
            "desk.record.show", person_id=person.id, book=recall.plan_id, _anchor=f"plan-{recall.plan_id}"
        ),
        decisions={
            d: words for d, words in DECISIONS.items() if d in allowed and (clinical or d not in ONLY_CLINICIAN)
        },
        waiting=sum(1 for m in messages if m.state is State.PENDING),
        not_theirs=not_theirs,
        booked=recall.state is RecallState.BOOKED,
        typed=request.form,
        wrong=wrong,
        field=field,
        longest=LONGEST_REASON,
        tomorrow=services.day_of(now),
    )
    return make_response(page, code)


@bp.post("/recall/<recall_id>")
@needs()
def settle(recall_id: str) -> BaseResponse | Response:
    """Carry out a decision. After a mistake the page comes back with what was typed."""
    wanted, reason = request.form.get("do", ""), request.form.get("reason", "").strip()
    if wanted not in set(Decision):
        return _one(recall_id, wrong="Choose what to do.", field="do", code=422)
    decision = Decision(wanted)
    if decision in ONLY_CLINICIAN and not the_staff().roles & {"clinician", "lead"}:
        raise NotAllowedError("that a visit is not needed is for a clinician to decide")
    if not reason or len(reason) > LONGEST_REASON:
        return _one(recall_id, wrong=f"Say why, in up to {LONGEST_REASON} characters.", field="reason", code=422)
    typed, day = request.form.get("on", ""), None
    try:
        day = date.fromisoformat(typed) if typed and decision is Decision.INVITE else None
        decide(the_services(), recall_id, decision, who(the_staff()), reason=reason, on=day)
    except ValueError:
        return _one(recall_id, wrong="Give the day as year-month-day, such as 2027-03-01.", field="on", code=422)
    except NotAllowedError as refused:
        return _one(recall_id, wrong=sentence_of(str(refused)), field="on" if day else "", code=422)
    return redirect(url_for("recall.show", recall_id=recall_id))


@bp.get("/recall/settings")
@needs("lead")
def settings_page() -> Response:
    """The clinic's own values for recalls."""
    return _settings(SettingsForm.of(_present(the_services())))


@bp.post("/recall/settings")
@needs("lead")
def save() -> BaseResponse | Response:
    """Save them. After a mistake the page comes back with what was typed; when somebody else saved meanwhile, what they
    saved stands beside it."""
    form = SettingsForm.typed(request.form)
    services = the_services()
    wanted = read_settings(form, _present(services))
    if isinstance(wanted, RecallSettings):
        try:
            save_settings(services, wanted, who(the_staff()))
            return redirect(url_for("recall.settings_page", saved=1))
        except SettingsError as refused:
            wanted = in_words_of_the_form(str(refused))
        except NotAllowedError:  # at this very moment
            wanted = Mistake(field="revision", said=OVERTAKEN)
    if wanted.field != "revision":
        return _settings(form, wrong=wanted)
    form, theirs = form.beside(_present(services))
    return _settings(form, wrong=wanted, theirs=theirs)


def _present(services: Services) -> RecallSettings:
    with services.open_reading() as work:
        return settings_now(services, work)


def _settings(form: SettingsForm, *, wrong: Mistake | None = None, theirs: Mapping[str, str] | None = None) -> Response:
    services = the_services()
    with services.open_reading() as work:
        last = work.ledger.history(RECALL_SETTINGS, limit=1)
    page = render_template(
        "staff/recall_settings.html",
        form=form,
        wrong=wrong,
        theirs=theirs or {},
        rules=services.pack.recall,
        last=last[0] if last else None,
        saved=wrong is None and request.args.get("saved") == "1",
    )
    return make_response(page, 200 if wrong is None else 422)
