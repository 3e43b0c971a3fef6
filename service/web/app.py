"""The web application: its parts, its error pages, and the headers that every answer carries."""

from __future__ import annotations

import secrets

from flask import Flask, Response, current_app, g, render_template, request
from werkzeug.exceptions import HTTPException

from service import pictograms
from service.config import Settings
from service.errors import DatabaseAwayError, NotAllowedError, NotFoundError, TragusError
from service.services import Services


def create_app(services: Services, settings: Settings) -> Flask:
    """The application over these services. Raises SettingsError when a callback has an address that cannot be."""
    from service.web import (
        admin,
        callbacks,
        choices,
        clinician,
        demo,
        desk,
        fonts,
        letters,
        patient_answers,
        recall,
        recall_outcome,
        signing_in,
        wording,
    )

    callbacks.check_paths(services)
    app = Flask(__name__)
    app.config.update(MAX_CONTENT_LENGTH=256 * 1024, MAX_FORM_PARTS=2000)
    app.extensions["services"] = services
    app.extensions["settings"] = settings
    app.jinja_env.globals["pictogram"] = pictograms.svg
    app.jinja_env.globals["nonce"] = nonce
    for part in (
        signing_in,
        clinician,
        desk,
        letters,
        admin,
        wording,
        choices,
        recall,
        recall_outcome,
        patient_answers,
        fonts,
        callbacks,
    ):
        app.register_blueprint(part.bp)
    if settings.demo_page:
        app.register_blueprint(demo.bp)
    app.register_error_handler(TragusError, _explain)
    app.register_error_handler(HTTPException, _plain_page)
    app.after_request(_harden)
    return app


def the_services() -> Services:
    """The services of the running application."""
    found: Services = current_app.extensions["services"]
    return found


def the_settings() -> Settings:
    """The settings of the running application."""
    found: Settings = current_app.extensions["settings"]
    return found


def nonce() -> str:
    """This answer's permission for its own inline script (Content Security Policy)."""
    if "nonce" not in g:
        g.nonce = secrets.token_urlsafe(16)
    found: str = g.nonce
    return found


def _explain(error: TragusError) -> tuple[str, int]:
    if isinstance(error, DatabaseAwayError):  # its own words are for the operator
        return render_template(
            "error.html", message="The service cannot answer now. Try again in a minute.", code=503
        ), 503
    code = 404 if isinstance(error, NotFoundError) else 403 if isinstance(error, NotAllowedError) else 400
    return render_template("error.html", message=str(error), code=code), code


def _plain_page(error: HTTPException) -> tuple[str, int]:
    code = error.code or 500
    return render_template("error.html", message=error.description, code=code), code


def _harden(answer: Response) -> Response:
    """Nothing is loaded from outside, nobody frames us, and links with a token leave no trace in other sites' logs."""
    answer.headers["Content-Security-Policy"] = (
        "default-src 'none'; style-src 'self'; img-src 'self' data:; font-src 'self'; form-action 'self'; "
        f"base-uri 'none'; frame-ancestors 'none'; frame-src 'self'; connect-src 'self'; script-src 'nonce-{nonce()}'"
        # A mail shown in a frame has its styles in attributes, and a frame without an address obeys its page's policy.
        + ("; style-src-attr 'unsafe-inline'" if g.get("inline_styles") else "")
    )
    answer.headers["X-Content-Type-Options"] = "nosniff"
    answer.headers["Referrer-Policy"] = "no-referrer"
    answer.headers["Cross-Origin-Opener-Policy"] = "same-origin"
    answer.headers["Permissions-Policy"] = "geolocation=(), camera=(), microphone=()"
    if not request.path.startswith("/static/"):
        answer.headers["Cache-Control"] = "no-store"
    return answer
