"""One sentence group in one language: its text beside the source, what it costs, its history, its approval, its look.

The pages are put on the blueprint of the workspace (`wording.py`) by `add_to`. A refused text comes back with every
fault marked where it is; nothing that was typed is lost.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from flask import Blueprint, Response, g, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.pack import Wording
from service.domain.revision import Origin, Standing, Texts
from service.errors import NotAllowedError, NotFoundError, TextRefusedError
from service.messages.i18n import plural_categories
from service.messages.text_checks import FORMS, composed
from service.planning.approving import Approving, Author, bring_back, write
from service.planning.approving import approve as approve_drafts
from service.planning.approving import over_budget as over_draft
from service.planning.approving import withdraw as withdraw_unit
from service.planning.wording_taken_back import take_back
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.web.access import needs, rights_of, the_staff, who
from service.web.app import the_services
from service.web.clinician import pdf_answer
from service.web.shown import language_name, sentence_of
from service.web.sure import asked_first
from service.web.wording_board import known, waiting
from service.web.wording_fields import (
    FORM_NAMES,
    SHIPPED,
    Row,
    costs_of,
    differences,
    faults_of,
    fields_of,
    flat,
    history_of,
    pasts_of,
    source_change,
)
from service.web.wording_preview import pseudo_words_with, sheet_pdf, show, words_with
from service.web.wording_rights import EDITORS, effective_from, why_not
from service.wording.book import Entry
from service.wording.examples import examples_of
from service.wording.headings import misnamed, named_by
from service.wording.plural_numbers import numbers_of
from service.wording.pseudo import TAG


@needs(*EDITORS)
def unit(language: str, unit_id: str) -> Response:
    """The unit's own page."""
    return _page(language, unit_id)


@needs(*EDITORS)
def unit_save(language: str, unit_id: str) -> BaseResponse:
    """Keep what was typed as a draft; it is sent to nobody before it is approved."""
    services, staff = the_services(), the_staff()
    said = composed(_typed(_unit(services, unit_id), language))
    author = Author(name=who(staff), staff_id=staff.id)
    try:
        write(
            services, language, unit_id, said, author, seen=request.form.get("seen", ""),
            note=request.form.get("note", ""),
        )  # fmt: skip
    except TextRefusedError:
        return _page(language, unit_id, typed=said, code=422)
    except NotAllowedError as error:
        return _page(language, unit_id, typed=said, alert=_sentence(error, unit_id), code=409)
    return redirect(url_for("wording.unit", language=language, unit_id=unit_id, done="saved"), 303)


@needs(*EDITORS)
def unit_approve(language: str, unit_id: str) -> BaseResponse:
    """Approve the draft as it was shown, at once or from a day on, in the name of who is signed in."""
    services, staff, form = the_services(), the_staff(), request.form
    try:
        if form.get("read") != "yes":
            raise NotAllowedError("tick that you have read the wording: approving it is a clinical act in your name")
        reason = form.get("reason", "").strip()
        approving = Approving(
            by=who(staff),
            rights=rights_of(staff),
            effective=effective_from(services, form.get("from", "")),
            reasons={unit_id: reason} if reason else {},
        )
        approve_drafts(services, language, [(unit_id, form.get("digest", ""))], approving)
    except NotAllowedError as error:
        return _page(language, unit_id, alert=_sentence(error, unit_id), code=403)
    return redirect(url_for("wording.unit", language=language, unit_id=unit_id, done="approved"), 303)


@needs(*EDITORS)
def unit_withdraw(language: str, unit_id: str) -> BaseResponse:
    """Stop the use of the unit in this language, at the second press."""
    services, staff = the_services(), the_staff()
    rights, why = rights_of(staff), request.form.get("why", "").strip()
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
    try:
        if why and rights.may_approve_in(language):
            asked = _ask_to_withdraw(services, entry, why)
            if asked is not None:
                return asked
        withdraw_unit(services, language, unit_id, who(staff), rights, why)
    except NotAllowedError as error:
        return _page(language, unit_id, alert=_sentence(error, unit_id), code=403)
    return redirect(url_for("wording.unit", language=language, unit_id=unit_id, done="withdrawn"), 303)


def _ask_to_withdraw(services: Services, entry: Entry, why: str) -> Response | None:
    name, source = language_name(entry.language), services.catalogs.source
    said = [f"Nobody is told this sentence group in {name} any more, until another text of it is approved."]
    if entry.language == source:
        said.append("What needs it is not sent at all in the meantime, in no language; the front desk is told.")
    else:
        said.append(f"What needs it goes in {language_name(source)} in the meantime, and the front desk is told.")
    said.append(f"The reason that goes on record: {why}")
    return asked_first(
        title=f"Withdraw {entry.unit.id} in {name}?",
        said=said,
        listed=[text for texts in (entry.shown or {}).values() for text in texts],
        button="Yes, withdraw it",
        back=url_for("wording.unit", language=entry.language, unit_id=entry.unit.id),
        here="wording",
        mark=entry.shown_digest or "yes",
    )


@needs(*EDITORS)
def unit_back(language: str, unit_id: str) -> BaseResponse:
    """Make an earlier text a new draft; what is wrong with it today is shown, and can be mended."""
    services, staff, chosen = the_services(), the_staff(), request.form.get("revision", "")
    author = Author(name=who(staff), staff_id=staff.id)
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
        old = next((each for each in history_of(services, entry) if each.id == chosen), None)
    if old is None or not old.texts:
        raise NotFoundError("there is no such revision, or its words are not kept; choose one from the history")
    try:
        if chosen == SHIPPED:
            write(
                services, language, unit_id, old.texts, author, seen=entry.shown_digest, note="the shipped text",
                origin=Origin.RETURNED,
            )  # fmt: skip
        else:
            bring_back(services, chosen, author)
    except TextRefusedError:
        return _page(language, unit_id, typed=old.texts, code=422)
    except NotAllowedError as error:
        return _page(language, unit_id, alert=_sentence(error, unit_id), code=409)
    return redirect(url_for("wording.unit", language=language, unit_id=unit_id, done="returned"), 303)


@needs(*EDITORS)
def unit_take_back(language: str, unit_id: str) -> BaseResponse:
    """Take back a draft, or a text that is approved for a later day; what is in force stays."""
    services, staff, form = the_services(), the_staff(), request.form
    author, chosen = Author(name=who(staff), staff_id=staff.id), form.get("revision", "")
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
    if all(each.id != chosen for each in entry.history):
        raise NotFoundError("there is no such revision; choose one from the history")
    try:
        take_back(services, chosen, author, rights_of(staff), form.get("why", ""))
    except NotAllowedError as error:
        return _page(language, unit_id, alert=_sentence(error, unit_id), code=403)
    return redirect(url_for("wording.unit", language=language, unit_id=unit_id, done="taken-back"), 303)


@needs(*EDITORS)
def compare(language: str, unit_id: str) -> str:
    """Two revisions word by word, the older first."""
    services = the_services()
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
        pasts = pasts_of(services, work, entry)
    chosen = {request.args.get("one", ""), request.args.get("other", "")}
    two = [each for each in pasts if each.revision.id in chosen]
    if len(two) != 2:
        raise NotFoundError("choose two different revisions of the history to compare")
    older, newer = two[1], two[0]  # the history runs backwards
    return render_template(
        "staff/wording_compare.html",
        entry=entry,
        language=language,
        older=older,
        newer=newer,
        rows=differences(entry.unit, language, older.revision.texts, newer.revision.texts),
    )


@needs(*EDITORS)
def preview(language: str, unit_id: str) -> Response:
    """The unit as a patient meets it: of the draft as saved, or of what is in the form, which is stored nowhere."""
    services, given = the_services(), request.form if request.method == "POST" else request.args
    shown_unit = _unit(services, unit_id)
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
    typed = composed(_typed(shown_unit, language)) if request.method == "POST" else None
    said = typed or entry.shown
    if said is None:
        raise NotFoundError(f"nobody has written {unit_id} in {language} yet; write it first, then look at it")
    if any(fault.bars for fault in faults_of(services, entry, said)):
        return _page(language, unit_id, typed=said, code=422)
    as_pseudo = given.get("as") == "pseudo" and language == services.catalogs.source
    with services.open_reading() as work:
        if as_pseudo:
            printed = given.get("format") == "sheet"
            words, missing = pseudo_words_with(services, work, unit_id, said, printed=printed), frozenset[str]()
        else:
            words, missing = words_with(services, work, language, unit_id, said)
        choices = services.choices_now(work).choices
    spoken = TAG if as_pseudo else language
    examples = examples_of(services.pack, unit_id, choices)
    example = next((each for each in examples if each.form == given.get("form")), examples[0])
    numbers = numbers_of(language) if shown_unit.count is not None else ()
    chosen = next((each for each in numbers if each.category == given.get("category") and each.samples), None)
    number = chosen.usual if chosen is not None else None
    if given.get("format") == "sheet":
        return pdf_answer(sheet_pdf(services, words, example, spoken, unit_id, number))
    g.inline_styles = True  # a mail brings its style with it, attribute by attribute
    page = render_template(
        "staff/wording_preview.html",
        entry=entry,
        language=language,
        spoken=spoken,
        as_pseudo=as_pseudo,
        fields=flat(shown_unit, language, said),
        unsaved=typed is not None and typed != entry.shown,
        shown=show(services, words, missing, example, spoken, unit_id, number),
        example=example,
        findings=[(side, sorted(example.visit.ear(side).findings)) for side in example.plan.ears],
        codes={**services.pack.findings, **services.pack.history},
        examples=examples,
        form_names=FORM_NAMES,
        numbers=numbers,
        number=number,
        chosen=chosen.category if chosen is not None else "",
        source=services.catalogs.source,
        shift=services.shifts,
    )
    return make_response(page)


def _page(language: str, unit_id: str, *, typed: Texts | None = None, alert: str = "", code: int = 200) -> Response:
    """The page of the unit. `typed` stands in the fields in place of the newest text; `alert` says what went wrong."""
    services, staff, form = the_services(), the_staff(), request.form
    rights, now = rights_of(staff), services.clock.now()
    with services.open_reading() as work:
        entry = _entry(services, work, language, unit_id)
        pasts = pasts_of(services, work, entry)
        said, source = typed or entry.shown, services.catalogs.source
        faults = faults_of(services, entry, said) if said is not None else ()
        costs = costs_of(services, work, entry, said, faults)
        over_saved = over_draft(services, entry, services.budgets(work))
        changed = source_change(services, work, entry) if entry.standing is Standing.OVERTAKEN else ()
        everything = services.book(work).entries(language, now)
    refused = typed is not None and any(fault.bars for fault in faults)
    begins, waits = entry.coming, waiting(entry, now)
    page = render_template(
        "staff/wording_unit.html",
        entry=entry,
        unit=entry.unit,
        language=language,
        source=source,
        forms=fields_of(services, entry, said, faults),
        typed=typed is not None,
        refused=sum(fault.bars for fault in faults) if refused else 0,
        alert=alert,
        meanwhile=_meanwhile(entry, typed) if code == 409 and form.get("seen", "") != entry.shown_digest else (),
        seen=entry.shown_digest,
        note=form.get("note", ""),
        costs=costs,
        over_saved=over_saved,
        pasts=pasts,
        waits=waits,
        begins=begins,
        why_not=why_not(services, entry, rights),
        may_withdraw=rights.may_approve_in(language),
        withdrawable=any(each.withdrawn is None for each in entry.history),
        today=services.day_of(now),
        reason=form.get("reason", ""),
        since=form.get("from", ""),
        why=form.get("why", ""),
        source_change=changed,
        from_now=differences(entry.unit, language, entry.approved.texts, entry.draft)
        if entry.draft is not None and entry.approved is not None
        else (),
        draft_note=next((each.note for each in entry.history if each.id == entry.draft_id), ""),
        misnamed=[each for each in misnamed(everything, source) if each.unit == unit_id],
        named_by=named_by(everything, source, unit_id),
        done=request.args.get("done", ""),
    )
    return make_response(page, code)


def _meanwhile(entry: Entry, typed: Texts | None) -> tuple[Row, ...]:
    """What somebody else wrote, against what was typed here."""
    if typed is None or entry.shown is None:
        return ()
    return differences(entry.unit, entry.language, entry.shown, typed)


def _unit(services: Services, unit_id: str) -> Wording:
    found = services.pack.wording.get(unit_id)
    if found is None:
        raise NotFoundError(f"there is no wording unit {unit_id!r}; choose one from the list")
    return found


def _entry(services: Services, work: UnitOfWork, language: str, unit_id: str) -> Entry:
    book = services.book(work)
    known(book, language)
    _unit(services, unit_id)
    return book.entry(language, unit_id, services.clock.now())


def _typed(unit: Wording, language: str) -> Texts:
    """What stands in the fields of the form. A field that was not sent is empty; it is refused as that."""
    count = len(plural_categories(language)) if unit.count is not None else 1
    return {
        form: tuple(request.form.get(f"text.{form}.{index}", "").replace("\r\n", "\n") for index in range(count))
        for form in FORMS
        if form in unit.forms
    }


def _sentence(error: NotAllowedError, unit_id: str) -> str:
    said = str(error).removeprefix(f"{unit_id}: ")
    return sentence_of(said)


ROUTES: tuple[tuple[str, str, Callable[..., Any], tuple[str, ...]], ...] = (
    ("", "unit", unit, ("GET",)),
    ("/save", "unit_save", unit_save, ("POST",)),
    ("/approve", "unit_approve", unit_approve, ("POST",)),
    ("/withdraw", "unit_withdraw", unit_withdraw, ("POST",)),
    ("/back", "unit_back", unit_back, ("POST",)),
    ("/take-back", "unit_take_back", unit_take_back, ("POST",)),
    ("/compare", "compare", compare, ("GET",)),
    ("/preview", "preview", preview, ("GET", "POST")),
)
"""What follows the address of a unit, the endpoint's name, the view, and its methods."""


def add_to(bp: Blueprint) -> None:
    """Put the pages of this module on the blueprint of the workspace."""
    for rest, name, view, methods in ROUTES:
        bp.add_url_rule(f"/wording/<language>/<unit_id>{rest}", name, view, methods=list(methods))
