"""One person's record: plans and where they stand, every message and why it went or did not, the link, leaving."""

from __future__ import annotations

from flask import Blueprint, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.domain.plan import Status
from service.domain.visit import Side
from service.errors import NotAllowedError
from service.planning.aftercare import set_status
from service.planning.people import mark_left, renew_link, revoke_links
from service.web.access import needs, the_staff, who
from service.web.app import the_services

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
    "record-viewed": "looked at the record",
    "person-added": "added the person",
    "person-corrected": "corrected the person",
    "person-left": "marked the person as left",
    "person-back": "took the leaving back",
    "link-revoked": "revoked the link",
    "link-renewed": "made a new link",
    "link-shown": "was shown the link",
}


@bp.get("/people/<person_id>")
@needs()
def show(person_id: str) -> str:
    """The record; looking at it is itself put on record."""
    services, now = the_services(), the_services().clock.now()
    with services.open_work() as work:
        person = work.people.get(person_id)
        plans = work.plans.of_person(person_id)
        messages = work.messages.of_person(person_id)
        linked = work.links.live_id(person_id) is not None
        history = work.ledger.history(person_id, limit=50)
        work.ledger.note(who(the_staff()), "record-viewed", person_id, now)
        work.commit()
    return render_template(
        "staff/record.html",
        person=person,
        plans=plans,
        messages=messages,
        linked=linked,
        history=history,
        actions=ACTIONS,
        changes=CHANGES,
        pack=services.pack,
        sides=tuple(Side),
        now=now,
        may_change=bool(the_staff().roles & {"clinician", "lead"}),
    )


@bp.post("/plans/<plan_id>/status")
@needs("clinician", "lead")
def change_status(plan_id: str) -> Response:
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
def link(person_id: str) -> Response:
    """Revoke the person's link, or make a new one in its place."""
    act = {"revoke": revoke_links, "renew": renew_link}.get(request.form.get("do", ""))
    if act is None:
        raise NotAllowedError("choose to revoke the link or to make a new one")
    act(the_services(), person_id, who(the_staff()))
    return redirect(url_for("desk.record.show", person_id=person_id))


@bp.post("/people/<person_id>/left")
@needs()
def left(person_id: str) -> Response:
    """Mark that the person moved away or died, or take that back."""
    mark_left(the_services(), person_id, who(the_staff()), left=request.form.get("do") == "left")
    return redirect(url_for("desk.record.show", person_id=person_id))
