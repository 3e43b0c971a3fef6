"""How long and how hard the clinic lets a text be: one form for each kind of message."""

from __future__ import annotations

from flask import redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.errors import NotAllowedError
from service.planning.budgets import LIMITS, budgets_of, set_budget
from service.web.access import needs, the_staff, who
from service.web.app import the_services


@needs("lead", "wording")
def show() -> str:
    """Every budget, and what the content shipped."""
    services = the_services()
    with services.open_reading() as work:
        rows = budgets_of(services, work)
    return render_template("staff/wording_budgets.html", rows=rows)


@needs("lead")
def change(kind: str) -> Response:
    """Set the limits of one kind; an empty field stays as it is."""
    limits = {}
    for name in LIMITS:
        typed = request.form.get(name, "").strip()
        if not typed:
            continue
        if not typed.isascii() or not typed.isdigit():
            raise NotAllowedError(f"{name}: give a whole number from 1 to 200")
        limits[name] = int(typed)
    set_budget(the_services(), kind, limits, who(the_staff()))
    return redirect(url_for("wording.budgets"))
