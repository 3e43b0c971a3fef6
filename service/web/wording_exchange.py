"""Texts go out to translators as PO or XLIFF 2 and come back: first what the file would change, then drafts.

The file is not stored between the two presses: it travels in the form, packed. The second press reads and checks it as
the first did; what was shown is pinned unit by unit, and nothing is written while anything is other than shown.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import zip_longest

from flask import Blueprint, Response, make_response, redirect, render_template, request, url_for
from werkzeug.wrappers import Response as BaseResponse

from service.domain.revision import Origin, Standing, Texts
from service.errors import NotAllowedError, TextFault
from service.messages.i18n import clean, plural_categories
from service.messages.text_checks import text_faults
from service.planning.approving import Author, write_many
from service.services import Services
from service.storage.unit_of_work import UnitOfWork
from service.web.access import current_staff, needs, the_staff, who
from service.web.app import the_services
from service.web.shown import moment
from service.web.wording_board import known, last_approved, purpose_named
from service.web.wording_fields import Row
from service.web.wording_rights import EDITORS
from service.wording.book import Entry
from service.wording.entries import Entry as Outgoing
from service.wording.entries import entries_of
from service.wording.incoming import ImportPlan, Kind, Line, plan_import
from service.wording.po_file import read_po, to_po
from service.wording.word_diff import word_diff
from service.wording.xliff_file import read_xliff, to_xliff

MOST_MEGABYTES = 4
"""The largest file that is taken, megabytes. Our choice: several times the largest export of one language."""
MOST_OCTETS = MOST_MEGABYTES * 1024 * 1024
_ROOM = MOST_OCTETS * 3 // 2 + 256 * 1024  # the file again in a form, as base64, with the rest of the form
TOO_LARGE = f"The file is larger than {MOST_MEGABYTES} MB. Export it in parts, one group at a time, and import these."

_FORMATS = {"po": "text/x-gettext-translation", "xliff": "application/xliff+xml"}
SHOWN = (
    Kind.REFUSED,
    Kind.HELD,
    Kind.OTHER_SOURCE,
    Kind.NOT_FINAL,
    Kind.UNKNOWN,
    Kind.CHANGED,
    Kind.NEW,
    Kind.CONFIRMED,
    Kind.REMARKED,
)
"""Kinds that are listed text by text, what needs a person first; of the others only the number is said."""
BY_WORDS = (Kind.REFUSED, Kind.HELD, Kind.OTHER_SOURCE, Kind.NOT_FINAL, Kind.CHANGED)
"""Those of which there are two texts to compare."""
HEADINGS = {
    Kind.NEW: ("New", "There is no text yet."),
    Kind.CHANGED: ("Changed", "Other words than now."),
    Kind.CONFIRMED: ("Confirmed", "The same words again, for the source text of now."),
    Kind.REMARKED: ("Remarked on", "The same words, and a new remark of the translator: a draft of them carries it."),
    Kind.UNCHANGED: ("Unchanged", ""),
    Kind.EMPTY: ("Empty", "The file has no text here."),
    Kind.REFUSED: ("Refused", "Mend these in the file and import it again."),
    Kind.HELD: ("Held back", "Nothing is wrong with these, but another form of the sentence group is not taken."),
    Kind.UNKNOWN: ("Not known", "The content has no such text."),
    Kind.OTHER_SOURCE: ("Made from another source text", "Export anew, look at the translation again, import it."),
    Kind.NOT_FINAL: ("Not finished", "The translator has marked these as unfinished."),
}


ASKED = ("Empty, with a remark", "The translator wrote something and no text. It is kept nowhere: answer it.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Meanwhile:
    """A sentence group that is not as it was shown, and what happened to it since, as far as it is on record."""

    unit: str
    what: str


def add_to(bp: Blueprint) -> None:
    """Put the routes of this module on the blueprint of the workspace."""
    bp.before_request(_make_room)
    bp.add_url_rule("/wording/<language>/export", "export", export)
    bp.add_url_rule("/wording/<language>/import", "take", take, methods=["POST"])


def _make_room() -> tuple[str, int] | None:
    """Let whoever is signed in send a translator's file; every other form keeps the limit of the service."""
    if request.endpoint != "wording.take" or current_staff() is None:
        return None
    if (request.content_length or 0) > _ROOM:
        return render_template("error.html", message=TOO_LARGE, code=413), 413
    request.max_content_length = request.max_form_memory_size = _ROOM
    return None


@needs(*EDITORS)
def export(language: str) -> Response:
    """One language, or one group of it, as a file for a translator."""
    services = the_services()
    kind, topic = request.args.get("format", "po"), request.args.get("topic", "")
    if kind not in _FORMATS:
        raise NotAllowedError(f"format: choose one of {', '.join(_FORMATS)}")
    if topic:
        purpose_named(topic, services.pack)
    with services.open_reading() as work:
        _translated(services, work, language)
        entries = outgoing(services, work, language, topic)
    data = (
        to_po(entries, language, version=services.pack.version)
        if kind == "po"
        else to_xliff(entries, services.catalogs.source, language)
    )
    answer = Response(data, mimetype=_FORMATS[kind])
    name = "-".join(filter(None, ("wording", language, topic))) + f".{kind}"
    answer.headers.set("Content-Disposition", "attachment", filename=name)
    return answer


@needs(*EDITORS)
def take(language: str) -> Response | BaseResponse:
    """First press: what the file would change. Second press: its drafts are written, if all is still as shown."""
    services, form = the_services(), request.form
    data, name = _carried() if form.get("packed") else _uploaded()
    with services.open_reading() as work:
        _translated(services, work, language)
        now = {entry.unit.id: entry for entry in services.book(work).entries(language, services.clock.now())}
        plan = _plan(services, work, language, data, name)
    marks = {unit: _mark(now[unit], texts, plan.remarks[unit]) for unit, texts in plan.drafts.items()}
    if not form.get("packed"):
        return _page(language, plan, marks, data, name, ())
    shown = _shown(form.get("shown", ""))
    meanwhile = [
        Meanwhile(unit=unit, what=_last_event(now[unit]) if unit in now else "the content does not have it any more")
        for unit in dict.fromkeys((*shown, *marks))
        if shown.get(unit) != marks.get(unit)
    ]
    if meanwhile or not plan.drafts:
        return _page(language, plan, marks, data, name, meanwhile, 409)
    staff = the_staff()
    author = Author(name=who(staff), staff_id=staff.id)
    seen = {unit: now[unit].shown_digest for unit in plan.drafts}
    count = write_many(
        services, language, plan.drafts, author, seen=seen, note=f"from {name}", origin=Origin.IMPORTED,
        remarks=plan.remarks,
    )  # fmt: skip
    return redirect(url_for("wording.language_page", language=language, written=count))


def outgoing(services: Services, work: UnitOfWork, language: str, topic: str = "") -> tuple[Outgoing, ...]:
    """Every text of a language, or of one group of it, as a translator gets it: the newest one, or what there was
    before the source changed."""
    entries = services.book(work).entries(language, services.clock.now())
    texts: dict[str, Texts] = {}
    made_from: dict[str, Texts] = {}
    standings = {}
    for entry in entries:
        unit_id, before = entry.unit.id, last_approved(entry)
        shown = entry.shown or (before.texts if before is not None else None)
        if shown is not None and set(shown) == set(entry.unit.forms):
            texts[unit_id] = shown
        standings[unit_id] = Standing.DRAFT.value if entry.draft is not None else entry.standing.value
        if entry.shown is None and before is not None:
            source = _source_before(services, work, unit_id, before.source_digest)
            if source is not None:
                made_from[unit_id] = source
    return entries_of(
        services.pack,
        texts,
        standings,
        sources_by_unit={entry.unit.id: entry.source for entry in entries},
        made_from=made_from,
        remarks={entry.unit.id: entry.remarks for entry in entries},
        units={entry.unit.id for entry in entries if topic in ("", entry.unit.topic)},
    )


def _source_before(services: Services, work: UnitOfWork, unit_id: str, digest: str) -> Texts | None:
    """The source text of this digest, where its words are kept: among the clinic's own, or the one that is shipped."""
    book, shipped = services.book(work), services.catalogs
    if shipped.digest(book.source, unit_id) == digest:
        forms = services.pack.wording[unit_id].forms
        return {form: said for form in forms if (said := shipped.translation(book.source, unit_id, form)) is not None}
    own = (each.texts for each in book.history(book.source, unit_id) if each.digest == digest and each.texts)
    return next(own, None)


def _plan(services: Services, work: UnitOfWork, language: str, data: bytes, name: str) -> ImportPlan:
    sources = {entry.unit.id: entry.source for entry in services.book(work).entries(language, services.clock.now())}

    def faults_of(unit: str, tag: str, texts: Texts) -> tuple[TextFault, ...]:
        return text_faults(services.pack.wording[unit], tag, texts, sources[unit])

    read = read_xliff if _is_xml(data) else read_po
    return plan_import(outgoing(services, work, language), read(data, language, name), faults_of, language)


def _is_xml(data: bytes) -> bool:
    return data[:2] in (b"\xff\xfe", b"\xfe\xff") or data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"<"


def _translated(services: Services, work: UnitOfWork, language: str) -> None:
    book = services.book(work)
    known(book, language)
    if language == book.source:
        raise NotAllowedError(f"{language} is the source: choose the language that is translated into")


def _uploaded() -> tuple[bytes, str]:
    file = request.files.get("file")
    if file is None or not file.filename:
        raise NotAllowedError("file: choose the translator’s file first, a .po or an XLIFF 2 file")
    with file.stream as stream:
        data = stream.read(MOST_OCTETS + 1)
    if len(data) > MOST_OCTETS:
        raise NotAllowedError(TOO_LARGE)
    return data, _name(file.filename)


def _carried() -> tuple[bytes, str]:
    """The file as the first press put it into the form; whoever changes it there has chosen another file."""
    try:
        packed = base64.b64decode(request.form["packed"], validate=True)
        data = zlib.decompressobj().decompress(packed, MOST_OCTETS + 1)
    except (binascii.Error, zlib.error, ValueError):
        raise NotAllowedError("the file did not come through whole; choose it again, nothing was written") from None
    if len(data) > MOST_OCTETS:
        raise NotAllowedError(TOO_LARGE)
    return data, _name(request.form.get("name", ""))


def _name(given: str) -> str:
    """What the file is called, without folders and without characters that do something."""
    return clean(given.replace("\\", "/").rpartition("/")[2]).strip()[:100] or "the file"


def _shown(text: str) -> dict[str, str]:
    """What was pinned at the first press, by unit; what cannot be read was not shown, and is shown again."""
    pairs = (each.partition("=") for each in text.split())
    return {unit: mark for unit, _, mark in pairs if mark}


def _mark(entry: Entry, texts: Mapping[str, Sequence[str]], remarks: Mapping[str, str]) -> str:
    """Pins what would be written over what, and beside which source and remarks."""
    before, said = entry.shown_digest, {form: list(each) for form, each in texts.items()}
    pinned = [before, entry.source_digest, entry.standing.value, said, dict(remarks), dict(entry.remarks)]
    return hashlib.sha256(json.dumps(pinned, sort_keys=True).encode()).hexdigest()[:32]


def _last_event(entry: Entry) -> str:
    """Who touched this text last, for somebody who finds it changed."""
    events = [(each.written_at, 0, each.written_by) for each in entry.history]
    events += [(each.approval.at, 1, each.approval.by) for each in entry.history if each.approval]
    events += [(each.withdrawn.at, 2, each.withdrawn.by) for each in entry.history if each.withdrawn]
    if not events:
        return "its source text, or the content, is another one now"
    at, step, by = max(events)
    return f"{by} {('wrote', 'approved', 'withdrew')[step]} it on {moment(at)}"


def _differences(language: str, line: Line) -> list[Row]:
    """Each plural form of a text, word by word from what is there now to what the file has."""
    pairs = list(zip_longest(line.old or (), line.new, fillvalue=""))
    names = plural_categories(language) if len(pairs) > 1 else ()
    return [
        Row(name=names[place] if place < len(names) else "", pieces=word_diff(old, new))
        for place, (old, new) in enumerate(pairs)
    ]


def _page(
    language: str,
    plan: ImportPlan,
    marks: Mapping[str, str],
    data: bytes,
    name: str,
    meanwhile: Sequence[Meanwhile],
    code: int = 200,
) -> Response:
    asked = tuple(line for line in plan.of(Kind.EMPTY) if line.remark)
    page = render_template(
        "staff/wording_import.html",
        language=language,
        name=name,
        plan=plan,
        counts=plan.counts,
        kinds=[*((kind, *HEADINGS[kind], plan.of(kind)) for kind in SHOWN), (Kind.EMPTY, *ASKED, asked)],
        passed=[(HEADINGS[kind][0], plan.counts[kind]) for kind in (Kind.UNCHANGED, Kind.EMPTY)],
        shown=" ".join(f"{unit}={mark}" for unit, mark in marks.items()),
        packed=base64.b64encode(zlib.compress(data)).decode("ascii"),
        differences=partial(_differences, language),
        by_words=BY_WORDS,
        meanwhile=meanwhile,
        late=code != 200,
    )
    return make_response(page, code)
