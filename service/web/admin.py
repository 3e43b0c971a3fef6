"""The wording and who approved it; and the place of the pages about what goes out (`outgoing.py`)."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from flask import Blueprint, redirect, render_template, request, url_for
from werkzeug.wrappers import Response

from service.domain.pack import Wording
from service.errors import NotAllowedError, NotFoundError
from service.messages.i18n import plural_categories
from service.planning.approving import approve_units
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.web import outgoing
from service.web.access import needs, the_staff, who
from service.web.app import the_services

bp = Blueprint("admin", __name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """One wording unit in one language: its texts as (which form, English, translation), and where it stands."""

    unit: Wording
    texts: tuple[tuple[str, str, str], ...]
    digest: str
    standing: str


@bp.get("/wording")
@needs()
def wording() -> str:
    """Every language with how much of it is missing, draft and approved."""
    services = the_services()
    with services.open_reading() as work:
        rows = [(language, _counts(services, work, language)) for language in services.catalogs.languages]
    faults = services.catalogs.faults()
    return render_template("staff/wording.html", rows=rows, pack=services.pack, faults=len(faults))


@bp.get("/wording/<language>")
@needs()
def wording_language(language: str) -> str:
    """One topic of one language: English beside the translation."""
    services = the_services()
    _known(services, language)
    topics = list(dict.fromkeys(unit.topic for unit in services.pack.wording.values()))
    topic = request.args.get("topic", topics[0])
    if topic not in topics:
        raise NotFoundError(f"there is no topic {topic!r}; choose one of {', '.join(topics)}")
    with services.open_reading() as work:
        units = _units(services, work, language)
    counts = {
        name: sum(1 for each in units if each.unit.topic == name and each.standing != "approved") for name in topics
    }
    return render_template(
        "staff/wording_language.html",
        language=language,
        source=services.catalogs.source,
        topic=topic,
        topics=counts,
        units=[each for each in units if each.unit.topic == topic],
        drafts=sum(1 for each in units if each.standing == "draft"),
        missing=sum(1 for each in units if each.standing == "missing"),
        pinned=_pin({each.unit.id: each.digest or None for each in units}),
    )


@bp.post("/wording/<language>/approve")
@needs("lead")
def approve(language: str) -> Response:
    """Approve the ticked units, or every complete unit of the language, in the signed-in lead's name.

    A unit is approved only as it was shown: its digest travels with the form.
    """
    services, by = the_services(), who(the_staff())
    _known(services, language)
    if request.form.get("read") != "yes":
        raise NotAllowedError("tick that you have read the wording: approving it is a clinical act in your name")
    digests = {unit: services.catalogs.digest(language, unit) for unit in services.pack.wording}
    if request.form.get("do") == "all":
        chosen = [unit for unit, digest in digests.items() if digest is not None]
        if request.form.get("pinned") != _pin(digests):
            raise NotAllowedError("the wording changed since this page was opened; open it again and read what changed")
    else:
        pairs = [each.partition("|") for each in request.form.getlist("unit")]
        if not pairs:
            raise NotAllowedError("tick at least one piece of wording to approve")
        if any(digests.get(unit) != digest for unit, _, digest in pairs):
            raise NotAllowedError("the wording changed since this page was opened; open it again and read what changed")
        chosen = [unit for unit, _, _ in pairs]
    approve_units(services, language, chosen, by)
    return redirect(url_for("admin.wording_language", language=language, topic=request.form.get("topic") or None))


def _pin(digests: dict[str, str | None]) -> str:
    return hashlib.sha256("".join(f"{unit}={digest}\n" for unit, digest in digests.items()).encode()).hexdigest()


def _known(services: Services, language: str) -> None:
    if language not in services.catalogs.languages:
        raise NotFoundError(
            f"there is no catalog for {language}; choose one of {', '.join(services.catalogs.languages)}"
        )


def _units(services: Services, work: UnitOfWork, language: str) -> list[UnitView]:
    wordings = services.wordings(work)
    found = []
    for unit in services.pack.wording.values():
        digest = services.catalogs.digest(language, unit.id)
        standing = "missing" if digest is None else "approved" if wordings.usable(language, [unit.id]) else "draft"
        found.append(
            UnitView(unit=unit, texts=_texts(services, language, unit), digest=digest or "", standing=standing)
        )
    return found


def _texts(services: Services, language: str, unit: Wording) -> tuple[tuple[str, str, str], ...]:
    """Each form with its English and its translations; a counted text has one row for each plural form."""
    found = []
    for form, english in unit.forms.items():
        said = services.catalogs.translation(language, unit.id, form)
        source = english.other if english.one is None else f"{english.one} / {english.other}"
        if said is None:
            found.append((form, source, ""))
        elif len(said) == 1:
            found.append((form, source, said[0]))
        else:
            names = plural_categories(language)
            rows = zip(names, said, strict=False)
            found += [
                (f"{form}, {name}", english.one or "" if name == "one" else english.other, text) for name, text in rows
            ]
    return tuple(found)


def _counts(services: Services, work: UnitOfWork, language: str) -> dict[str, int]:
    found = {"missing": 0, "draft": 0, "approved": 0}
    for each in _units(services, work, language):
        found[each.standing] += 1
    return found


bp.add_url_rule("/outgoing", "outgoing", outgoing.show)
bp.add_url_rule("/outgoing/channels/<name>", "channel", outgoing.change_channel, methods=["POST"])
bp.add_url_rule("/messages/<message_id>", "message", outgoing.message)
bp.add_url_rule("/messages/<message_id>/settle", "settle", outgoing.settle_message, methods=["POST"])
