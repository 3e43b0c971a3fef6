"""How hard the clinic lets a text read: the hardest score of each formula, one form for each kind of message."""

from __future__ import annotations

import re
from collections.abc import Mapping

from flask import Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.errors import NotAllowedError, OvertakenError
from service.planning.budgets import budgets_of
from service.planning.grades import MOST, set_grades
from service.web.access import needs, the_staff, who
from service.web.app import the_services
from service.web.wording_budgets import NAMES
from service.wording.readability import FORMULAS

_BY_ID = {formula.id: (language, formula) for language, formula in FORMULAS.items()}
_NUMBER = re.compile(r"\d{1,3}(?:[.,]\d)?", re.ASCII)


@needs("lead", "wording")
def show() -> Response:
    """The hardest score of each kind of message, and what the content shipped."""
    return _page(saved=request.args.get("saved", ""))


@needs("lead")
def change(kind: str) -> BaseResponse:
    """Set the scores of one kind; an empty field stays as it is, and what cannot be taken stays in its field."""
    services = the_services()
    typed = {name: request.form.get(name, "").strip() for name in _BY_ID}
    seen = {name: _score(request.form.get(f"seen.{name}", "")) for name in _BY_ID}
    try:
        for name, text in typed.items():
            if text and _NUMBER.fullmatch(text) is None:
                raise NotAllowedError(f"{name}: give a number from 0 to {MOST}, such as 6 or 6.5")
        scores = {name: _score(text) for name, text in typed.items() if text}
        set_grades(services, kind, scores, who(the_staff()), seen=seen)
    except OvertakenError as error:
        return _page(wrong=(kind, "", str(error)), typed=typed, code=409)
    except NotAllowedError as error:
        name, _, said = str(error).partition(": ")
        label = _BY_ID[name][1].name if name in _BY_ID else name
        return _page(wrong=(kind, name, f"{label}: {said}"), typed=typed, seen=seen, code=422)
    return redirect(url_for("wording.grades", saved=kind), 303)


def _score(text: str) -> float:
    """A score as it was typed; what is none fits no score that is set."""
    return float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else -1


def _page(
    *,
    saved: str = "",
    wrong: tuple[str, str, str] | None = None,
    typed: Mapping[str, str] | None = None,
    seen: Mapping[str, float] | None = None,
    code: int = 200,
) -> Response:
    """`wrong`: of which kind, for which formula ("" when it was overtaken), and why. `typed` stands in the fields of
    that kind, whose form goes on from what was `seen` (None: from what stands now)."""
    services = the_services()
    with services.open_reading() as work:
        rows = budgets_of(services, work)
    page = render_template(
        "staff/wording_grades.html",
        rows=rows,
        names={now.id: NAMES.get(now.id, now.id) for now, _ in rows},
        formulas=_BY_ID,
        saved=saved if saved in services.pack.budgets else "",
        wrong=wrong,
        typed=typed or {},
        seen=seen,
    )
    return make_response(page, code)
