"""The workspace of wording: where every sentence stands in every language, and approving what waits.

Everybody on the staff reads the overview; the lead and the role "wording" work on the texts. `wording_unit.py` has the
pages of one sentence group, `wording_exchange.py` the files of translators, `wording_budgets.py` and
`wording_grades.py` what a text may cost.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache

from babel import Locale, UnknownLocaleError
from flask import Blueprint, current_app, make_response, redirect, render_template, request, url_for
from markupsafe import Markup
from werkzeug.wrappers import Response

from service.domain.budget import Budget
from service.domain.pack import Wording
from service.domain.revision import Rights, Standing, Texts
from service.domain.wall_clock import to_wall, zone_named
from service.errors import ContactError, NotAllowedError
from service.messages.catalogs import PLACEHOLDER
from service.messages.i18n import plural_categories
from service.planning.approving import Approving, add_language, over_budget
from service.planning.approving import approve as approve_drafts
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.storage.wording_views import readers_of
from service.web import wording_budgets, wording_exchange, wording_grades, wording_unit
from service.web.access import EVERYBODY, needs, rights_of, the_staff, who
from service.web.app import the_services
from service.web.shown import counted, day, language_name, sentence_of
from service.web.sure import asked_first
from service.web.wording_board import (
    Standings,
    board,
    known,
    last_approved,
    purpose_named,
    purposes_of,
)
from service.web.wording_rights import EDITORS, effective_from, why_not
from service.wording.book import Entry
from service.wording.budget import Cost, cost_of
from service.wording.headings import Misnamed, misnamed
from service.wording.readability import why_none

bp = Blueprint("wording", __name__)

SUGGESTED = (
    "am ar bg bn cs cy da de el en es et fa fi fr ga gu he hi hr hu hy id it ja ka km ko ku lo lt lv ml mr my ne nl pa "
    "pa-Arab pl ps pt pt-BR ro ru si sk sl so sq sr sv sw ta te th ti tr uk ur vi zh-Hans zh-Hant zu"
)
"""Languages that are offered when one is added; any other tag that the CLDR knows may be typed. Our choice."""
CHANGED = "the wording changed since this page was opened; open it again and read what changed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """One text of a sentence group: which form and plural form, the source beside it, and whether it is this text or
    only the source that is there."""

    form: str
    source: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """One sentence group as the page of a language shows it. `why_not` says why there is no tick, empty where there is
    one or nothing waits. `old`: the text before, where another one waits or the source changed. `misnamed`: where it
    names a heading by words that the heading has not."""

    entry: Entry
    said: tuple[Said, ...]
    old: tuple[str, ...]
    why_not: str
    cost: Cost | None
    over: tuple[str, ...]
    misnamed: tuple[str, ...]

    @property
    def pair(self) -> str:
        """What a tick sends: the unit and the digest of the text that is shown."""
        return f"{self.entry.unit.id}|{self.entry.draft_digest}"


@bp.get("/wording")
@needs(*EVERYBODY)
def overview() -> str:
    """Every sentence group in every language, by what it is for, and whom the gaps affect."""
    return _overview()


def _overview(*, new_language_wrong: str = "") -> str:
    services = the_services()
    with services.open_reading() as work:
        standings = _standings(services, work)
        readers = readers_of(work)
    topic, language = request.args.get("topic", ""), request.args.get("language", "")
    purposes = purposes_of(services.pack)
    if topic:
        purpose_named(topic, services.pack)
    if language:
        known(standings.book, language)
    only = request.args.get("only") == "blocking"
    return render_template(
        "staff/wording.html",
        board=board(standings, readers, only_blocking=only, topic=topic, language=language),
        columns=[each for each in standings.book.languages if language in ("", each)],
        purposes=purposes,
        only=only,
        topic=topic,
        language=language,
        source=standings.book.source,
        pack=services.pack,
        faults=len(services.catalogs.faults()),
        base=url_for("wording.overview"),
        begins=_begins,
        may_edit=bool(the_staff().roles & set(EDITORS)),
        new_language=request.form.get("language", ""),
        new_language_wrong=new_language_wrong,
        suggested=[(tag, name) for tag, name in _suggestions() if tag not in standings.book.languages],
    )


@bp.get("/wording/<language>")
@needs(*EDITORS)
def language_page(language: str) -> str:
    """One group of one language: the source beside the translation, where it stands, what it costs, and its ticks."""
    services, staff = the_services(), the_staff()
    rights, purposes = rights_of(staff), purposes_of(services.pack)
    topic = request.args.get("topic", purposes[0].topic)
    with services.open_reading() as work:
        standings, budgets = _standings(services, work), services.budgets(work)
    known(standings.book, language)
    purpose = purpose_named(topic, services.pack)
    entries = standings.entries[language].values()
    here = [entry for entry in entries if entry.unit.topic == topic]
    names = misnamed(entries, standings.book.source)
    whole, group = (_approvable(services, some, rights) for some in (entries, here))
    open_in = {
        each.topic: sum(entry.draft is not None or entry.standing is not Standing.APPROVED for entry in entries
                        if entry.unit.topic == each.topic)
        for each in purposes
    }  # fmt: skip
    return render_template(
        "staff/wording_language.html",
        language=language,
        base=url_for("wording.overview"),
        source=standings.book.source,
        purpose=purpose,
        purposes=purposes,
        open_in=open_in,
        units=[_view(services, entry, rights, budgets, names) for entry in here],
        no_grade=why_none(language),
        shift=services.shifts,
        waiting=sum(entry.draft is not None for entry in here),
        missing=sum(entry.standing is Standing.MISSING for entry in here),
        group=group,
        whole=whole,
        pinned_group=pin(group),
        pinned=pin(whole),
        may_approve=rights.may_approve_in(language),
        today=services.day_of(services.clock.now()),
        approved=request.args.get("approved", type=int),
        written=request.args.get("written", type=int),
        most=wording_exchange.MOST_MEGABYTES,
    )


@bp.post("/wording/<language>/approve")
@needs(*EDITORS)
def approve(language: str) -> Response | str:
    """Approve what is ticked, the group that is shown, or the whole language, in the name of who is signed in.

    Each text is approved only as it was shown: its digest travels with the form. The whole language asks first.
    """
    services, staff = the_services(), the_staff()
    rights, form = rights_of(staff), request.form
    with services.open_reading() as work:
        standings, budgets = _standings(services, work), services.budgets(work)
    known(standings.book, language)
    if form.get("read") != "yes":
        raise NotAllowedError("tick that you have read the wording: approving it is a clinical act in your name")
    effective = effective_from(services, form.get("from", ""))
    entries, topic = list(standings.entries[language].values()), form.get("topic", "")
    if form.get("do") == "group":
        chosen = _approvable(services, [entry for entry in entries if entry.unit.topic == topic], rights)
        _same(form.get("pinned-group"), chosen)
    elif form.get("do") == "all":
        chosen = _approvable(services, entries, rights)
        _same(form.get("pinned"), chosen)
        question = _ask(language, chosen, effective, topic, services)
        if question is not None:
            return question
    else:
        chosen = [(unit, digest) for unit, _, digest in (each.partition("|") for each in form.getlist("unit"))]
    if not chosen:
        raise NotAllowedError("tick at least one piece of wording to approve")
    if any((entry := standings.entries[language].get(unit)) is None or not digest or entry.draft_digest != digest
           for unit, digest in chosen):  # fmt: skip
        raise NotAllowedError(CHANGED)
    reasons = {name.removeprefix("reason."): text for name, text in form.items() if name.startswith("reason.")}
    if general := form.get("reason", "").strip():
        others = (unit for unit, _ in chosen if not reasons.get(unit, "").strip())
        reasons |= {
            unit: general for unit in others if over_budget(services, standings.entries[language][unit], budgets)
        }
    approving = Approving(by=who(staff), rights=rights, effective=effective, reasons=reasons)
    count = approve_drafts(services, language, chosen, approving)
    return redirect(url_for("wording.language_page", language=language, topic=topic or None, approved=count))


@bp.post("/wording/languages")
@needs(*EDITORS)
def add() -> Response:
    """Make room for another language; every sentence of it is missing until somebody writes it. A tag that cannot be
    taken stays in its field."""
    try:
        language = add_language(the_services(), request.form.get("language", ""), who(the_staff()))
    except (ContactError, NotAllowedError) as error:
        return make_response(_overview(new_language_wrong=str(error).removeprefix("language: ")), 422)
    return redirect(url_for("wording.language_page", language=language))


def _begins(instant: datetime) -> str:
    """The day on the clinic's clock, as short as it can be said."""
    local = to_wall(instant, zone_named(the_services().clinic.zone))
    return f"{local.day} {local:%b %Y}"


def _standings(services: Services, work: UnitOfWork) -> Standings:
    """Where everything stands now; made anew only when the wording changed or a text came into force."""
    book, now = services.book(work), services.clock.now()
    kept: Standings | None = current_app.extensions.get("wording-standings")
    if kept is None or not kept.hold(book, now):
        current_app.extensions["wording-standings"] = kept = Standings(book, services.pack, now)
    return kept


def pin(shown: Iterable[tuple[str, str]]) -> str:
    """Pins a list of texts as they were shown."""
    return hashlib.sha256("".join(f"{unit}={digest}\n" for unit, digest in shown).encode()).hexdigest()


def _same(pinned: str | None, chosen: Sequence[tuple[str, str]]) -> None:
    if pinned != pin(chosen):
        raise NotAllowedError(CHANGED)


def _ask(
    language: str, chosen: Sequence[tuple[str, str]], effective: datetime | None, topic: str, services: Services
) -> Response | None:
    begin = "at once" if effective is None else f"from {day(to_wall(effective, zone_named(services.clinic.zone)))}"
    count = counted(len(chosen), "sentence group")
    return asked_first(
        title=f"Approve all of {language_name(language)}",
        said=[
            f"{count} in {language_name(language)} would be approved in your name, {begin}, those of other groups too.",
            "Patients are told exactly these sentences.",
        ],
        button=f"Approve {count}",
        back=url_for("wording.language_page", language=language, topic=topic or None),
        here="wording",
        mark=pin(chosen),
    )


def _approvable(services: Services, entries: Iterable[Entry], rights: Rights) -> list[tuple[str, str]]:
    """What waits and this person may approve, with the digest of each text."""
    return [
        (entry.unit.id, entry.draft_digest)
        for entry in entries
        if entry.draft is not None and not why_not(services, entry, rights)
    ]


def _view(
    services: Services, entry: Entry, rights: Rights, budgets: Mapping[str, Budget], names: Iterable[Misnamed]
) -> UnitView:
    before, shown = last_approved(entry), entry.shown
    old: Texts = before.texts if before is not None and entry.approved is None and before is not entry.coming else {}
    if entry.approved is not None and shown is not entry.approved.texts:
        old = entry.approved.texts
    cost = over = None
    if entry.draft is not None:
        cost = cost_of(entry.unit, entry.draft, entry.language, services.clinic.said(), after=entry.after)
        over = over_budget(services, entry, budgets)
    return UnitView(
        entry=entry,
        said=_said(entry.unit, entry.language, entry.source, shown, services.catalogs.source),
        old=tuple(text for texts in old.values() for text in texts),
        why_not=why_not(services, entry, rights),
        cost=cost,
        over=over or (),
        misnamed=tuple(sentence_of(each.says) for each in names if each.unit == entry.unit.id),
    )


def _said(unit: Wording, language: str, source: Texts, shown: Texts | None, source_language: str) -> tuple[Said, ...]:
    """Each form with the source and the text; a counted text has a row for each plural form of the language."""
    found = []
    for form, english in source.items():
        said = (shown or {}).get(form, ())
        if unit.count is None:
            found.append(Said(form=form, source=english[-1], text=said[0] if said else ""))
            continue
        for place, name in enumerate(plural_categories(language)):
            beside = english[0] if name == "one" else english[-1]
            found.append(Said(form=f"{form}, {name}", source=beside, text=said[place] if said else ""))
    if language == source_language:
        return tuple(Said(form=each.form, source=each.text or each.source, text="") for each in found)
    return tuple(found)


@cache
def _suggestions() -> tuple[tuple[str, str], ...]:
    return tuple((tag, language_name(tag)) for tag in SUGGESTED.split(" "))


@bp.app_template_filter()
def in_english(tag: str) -> str:
    """A language by its English name, for staff who cannot read its own; the tag where the CLDR has none."""
    try:
        return Locale.parse(tag, sep="-").get_display_name("en") or tag
    except (UnknownLocaleError, ValueError):
        return tag


@bp.app_template_filter()
def tokens(text: str) -> Markup:
    """A text with its placeholders as tokens that keep their braces in right-to-left text."""
    parts = PLACEHOLDER.split(text)
    token = Markup('<bdi dir="ltr" class="token">{{{}}}</bdi>')
    return Markup("").join(token.format(part) if place % 2 else part for place, part in enumerate(parts))


wording_exchange.add_to(bp)
wording_unit.add_to(bp)
bp.add_url_rule("/wording/budgets", "budgets", wording_budgets.show)
bp.add_url_rule("/wording/budgets/<kind>", "budget", wording_budgets.change, methods=["POST"])
bp.add_url_rule("/wording/grades", "grades", wording_grades.show)
bp.add_url_rule("/wording/grades/<kind>", "grade", wording_grades.change, methods=["POST"])
