"""How long and how hard the clinic lets a text be: one form for each kind of message."""

from __future__ import annotations

from collections.abc import Mapping

from flask import Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.budget import Budget
from service.errors import NotAllowedError, OvertakenError
from service.planning.budgets import LIMITS, Seen, budgets_of, limits_of, set_budget
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.shown import KINDS
from service.wording.budget import OTHER

NAMES = {
    **{kind.value: name for kind, name in KINDS.items()},
    OTHER: "Every other sentence: on the page, on the sheet, in mails, in parts of texts",
}
"""What each budget is called on the page."""
LABELS = {
    "parts": "Most parts",
    "parts_ucs2": "Most parts in UCS-2",
    "sentence_words": "Most words in one sentence",
}


@needs("lead", "wording")
def show() -> Response:
    """Every budget, and what the content shipped."""
    return _page(saved=request.args.get("saved", ""))


@needs("lead")
def change(kind: str) -> BaseResponse:
    """Set the limits of one kind; an empty field stays as it is, and what cannot be taken stays in its field. When
    somebody else saved this kind meanwhile, what they saved stands beside what was typed."""
    limits, typed = {}, {name: request.form.get(name, "").strip() for name in LIMITS}
    try:
        for name, text in typed.items():
            if text and not (text.isascii() and text.isdigit() and len(text) <= 3):
                raise NotAllowedError(f"{name}: give a whole number from 1 to 200")
            if text:
                limits[name] = int(text)
        set_budget(the_services(), kind, limits, who(the_staff()), seen=_seen(request.form.get("seen", "")))
    except OvertakenError as error:
        return _page(wrong=(kind, "", str(error)), typed=typed, code=409)
    except NotAllowedError as error:
        name, _, said = str(error).partition(": ")
        seen = request.form.get("seen") or "-"
        return _page(wrong=(kind, name, f"{LABELS.get(name, name)}: {said}"), typed=typed, seen=seen, code=422)
    return redirect(url_for("wording.budgets", saved=kind), 303)


def _mark(budget: Budget) -> str:
    """The limits of a budget as the form carries them: saved over other ones than these, it is refused."""
    return ",".join("" if limit is None else str(limit) for limit in limits_of(budget))


def _seen(mark: str) -> Seen:
    """What was shown, from the form; a mark that no page carries fits no limits."""
    usual = (each if each.isascii() and each.isdigit() and len(each) <= 3 else "" for each in mark.split(","))
    return tuple(int(each) if each else None for each in usual)


def _page(
    *,
    saved: str = "",
    wrong: tuple[str, str, str] | None = None,
    typed: Mapping[str, str] | None = None,
    seen: str = "",
    code: int = 200,
) -> Response:
    """`wrong`: of which kind, in which field ("" when it was overtaken), and why. `typed` stands in the fields of that
    kind, whose form goes on from what was `seen` ("": from what stands now)."""
    services = the_services()
    with services.open_reading() as work:
        rows = budgets_of(services, work)
    page = render_template(
        "staff/wording_budgets.html",
        rows=rows,
        names={now.id: NAMES.get(now.id, now.id) for now, _ in rows},
        labels=LABELS,
        shift=services.shifts,
        saved=saved if saved in services.pack.budgets else "",
        wrong=wrong,
        typed=typed or {},
        marks={now.id: seen if seen and wrong and wrong[0] == now.id else _mark(now) for now, _ in rows},
    )
    return make_response(page, code)
