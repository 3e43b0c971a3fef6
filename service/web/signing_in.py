"""Signing in and out."""

from __future__ import annotations

from flask import Blueprint, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.web import access, shown
from service.web.app import the_services

bp = Blueprint("signing_in", __name__)
shown.register(bp)


@bp.get("/")
def start() -> Response:
    """The first page of whoever is signed in, or the sign-in."""
    staff = access.current_staff()
    return redirect(url_for("signing_in.sign_in") if staff is None else access.first_page(staff))


@bp.route("/sign-in", methods=["GET", "POST"])
def sign_in() -> Response:
    """Ask for login and password. A wrong pair is answered like an unknown login."""
    error, status = "", 200
    if request.method == "POST":
        access.check_form_token()
        staff = access.check_password(the_services(), request.form.get("login", ""), request.form.get("password", ""))
        if staff is not None:
            answer = redirect(_inside(request.form.get("then", "")) or access.first_page(staff))
            access.start_session(answer, staff)
            return answer
        error, status = access.WRONG, 403
    page = render_template(
        "staff/sign_in.html",
        error=error,
        login=request.form.get("login", ""),
        then=_inside(request.values.get("then", "")),
        token=access.form_token(),
        clinic=the_services().clinic.name,
    )
    answer = make_response(page, status)
    access.plant_form_token(answer)
    return answer


@bp.post("/sign-out")
@access.needs(*access.EVERYBODY)
def sign_out() -> Response:
    """End this sign-in for good."""
    answer = redirect(url_for("signing_in.sign_in"))
    access.end_session(answer)
    return answer


def _inside(place: str) -> str:
    """A path of this service to go on to; empty for anything else."""
    safe = place.startswith("/") and not place.startswith(("//", "/\\")) and place.isprintable()
    return place if safe else ""
