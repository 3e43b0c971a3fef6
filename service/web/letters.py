"""Letters: which wait, which are printed together, and which somebody posted."""

from __future__ import annotations

import hashlib

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.planning import posting
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.looked import Listed, put_on_record
from service.web.shown import counted, moment
from service.web.sure import asked_first

bp = Blueprint("letters", __name__)


@bp.get("/letters")
@needs()
def show() -> str:
    """The letters that wait, and the newest batches."""
    services = the_services()
    with services.open_reading() as work:
        waiting = posting.waiting(services, work)
        batches = posting.batches(services, work)
    letters = (*waiting, *(each for batch in batches for each in batch.letters))
    put_on_record(Listed.LETTERS, (each.message.person_id for each in letters))
    return render_template(
        "staff/letters.html",
        ready=[each for each in waiting if not each.left_out],
        left_out=[each for each in waiting if each.left_out],
        batches=batches,
        prints=posting.clinic_prints(services),
    )


@bp.post("/letters/batches")
@needs()
def make() -> BaseResponse:
    """Put the ticked letters into one batch."""
    batch_id = posting.make_batch(the_services(), who(the_staff()), request.form.getlist("letter"))
    return redirect(url_for("letters.show", _anchor=f"batch-{batch_id}"))


@bp.get("/letters/batches/<batch_id>.pdf")
@needs()
def batch(batch_id: str) -> Response:
    """Every letter of a batch, ready to print; the same each time."""
    return _pdf(posting.batch_pdf(the_services(), batch_id, who(the_staff())), f"letters-{batch_id[:8]}.pdf")


@bp.get("/letters/batches/<batch_id>/list.pdf")
@needs()
def batch_list(batch_id: str) -> Response:
    """The list for the person who fills the envelopes."""
    return _pdf(posting.print_list(the_services(), batch_id, who(the_staff())), f"list-{batch_id[:8]}.pdf")


@bp.post("/letters/batches/<batch_id>/posted")
@needs()
def batch_posted(batch_id: str) -> BaseResponse:
    """The whole batch was posted; the second press says so of the letters that the first one showed."""
    services = the_services()
    with services.open_reading() as work:
        batch = posting.batch(services, work, batch_id)
    back = url_for("letters.show", _anchor=f"batch-{batch_id}")
    put_on_record(Listed.LETTERS, (each.message.person_id for each in batch.to_post))
    shown = [each.message.id for each in batch.to_post]
    if not shown:
        return redirect(back)
    said = [f"{counted(len(shown), 'letter is', 'letters are')} recorded as posted today, by you."]
    if others := len(batch.letters) - len(shown):
        said.append(
            f"{counted(others, 'other letter', 'other letters')} of this batch stay as they are: posted "
            "already, or not to be posted."
        )
    asked = asked_first(
        title=f"Were all letters of the batch of {moment(batch.stored.made)} put into the post?",
        said=said,
        listed=[f"{each.name}: {each.kind}" for each in batch.to_post],
        button=f"Yes, {counted(len(shown), 'letter was', 'letters were')} posted",
        back=back,
        here="letters",
        mark=hashlib.sha256(" ".join(shown).encode()).hexdigest()[:16],
    )
    if asked is not None:
        return asked
    posting.mark_batch_posted(services, batch_id, who(the_staff()))
    return redirect(back)


@bp.post("/letters/<message_id>/posted")
@needs()
def posted(message_id: str) -> BaseResponse:
    """One letter was posted."""
    posting.mark_posted(the_services(), message_id, who(the_staff()))
    return redirect(url_for("letters.show", _anchor=request.form.get("back", "")[:60] or None))


@bp.post("/letters/<message_id>/not-posted")
@needs()
def not_posted(message_id: str) -> BaseResponse:
    """The tick was wrong."""
    posting.undo_posted(the_services(), message_id, who(the_staff()))
    return redirect(url_for("letters.show", _anchor=request.form.get("back", "")[:60] or None))


def _pdf(data: bytes, name: str) -> Response:
    answer = make_response(data)
    answer.headers["Content-Type"] = "application/pdf"
    answer.headers["Content-Disposition"] = f'inline; filename="{name}"'
    return answer
