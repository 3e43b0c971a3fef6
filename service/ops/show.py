"""One visit shown as text, JSON, HTML, PDF, calendar or messages, without database or server."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from uuid import NAMESPACE_URL, uuid5

from service import codec
from service.calendars import calendar_file
from service.config import shipped_content, shipped_locales
from service.content.loader import load_pack
from service.domain.build import build_plan
from service.domain.calendar_item import revise
from service.domain.contact import Channel, Clinic
from service.domain.pack import ClinicChoices, Pack
from service.domain.plan import Phrase, Plan
from service.domain.questions import questions_for
from service.domain.schedule import lay_out
from service.domain.sending import COMFORT, pick_channel
from service.domain.wall_clock import to_wall, zone_named
from service.errors import VisitError
from service.links import STAND_IN, page_url
from service.messages.catalogs import Catalogs, load_catalogs
from service.messages.compose import Letter, compose
from service.messages.layout import as_html, as_text
from service.messages.read_plan import read_plan
from service.messages.reading import Reading
from service.messages.sheet import render_sheet
from service.messages.sms import count_parts
from service.messages.wordings import Wordings
from service.ops.visit_file import VisitFile
from service.planning.calendar import calendar_items

DRAFT_NOTE = (
    "DRAFT: not for patients. This wording is shown as it is in the files; no named person has approved it here."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Everything that showing one visit needs."""

    file: VisitFile
    plan: Plan
    pack: Pack
    clinic: Clinic
    wordings: Wordings
    language: str

    @property
    def appointment(self) -> tuple[str, str] | None:
        """The booked appointment as ISO date and time, when both are given."""
        booked = self.file.visit.appointment
        return None if booked is None else (booked[0].isoformat(), booked[1].isoformat("minutes"))

    @property
    def reading(self) -> Reading:
        """The plan in words."""
        contact = self.file.contact
        person = contact.given_name if contact.guardian else ""
        found = read_plan(
            self.plan,
            self.wordings,
            self.language,
            self.clinic,
            person=person,
            booked=self.appointment,
            questions=questions_for(self.plan, self.file.visit, self.pack),
        )
        return replace(found, draft=True)

    @property
    def link(self) -> str:
        """A link of the right length that opens nothing."""
        return page_url(self.clinic.base_url, STAND_IN)


def sample_clinic() -> Clinic:
    """The invented clinic that stands in where no settings are given."""
    return codec.from_plain(
        Clinic, tomllib.loads((shipped_content().parent / "sample-clinic.toml").read_text(encoding="utf-8"))
    )


def prepare(file: VisitFile, language: str | None, clinic: Clinic, choices: ClinicChoices) -> Shown:
    """The plan of a visit with all that is needed to show it. Raises PlanError, ContactError, ContentError."""
    pack = load_pack(shipped_content())
    catalogs: Catalogs = load_catalogs(shipped_locales(), pack)
    wanted = language or file.contact.language
    if wanted not in catalogs.languages:
        raise VisitError("language", f"{wanted!r} has no catalog; allowed: {', '.join(catalogs.languages)}")
    zone_named(file.contact.zone)
    return Shown(
        file=replace(file, contact=replace(file.contact, language=wanted)),
        plan=build_plan(file.visit, pack, choices),
        pack=pack,
        clinic=clinic,
        wordings=Wordings(pack, catalogs, None, clinic.said()),
        language=wanted,
    )


def show(shown: Shown, form: str) -> bytes:
    """The visit in one of the forms text, json, html, pdf, ics or messages."""
    forms = {
        "text": lambda: as_text(shown.reading, DRAFT_NOTE).encode(),
        "json": lambda: (codec.dump(shown.plan) + "\n").encode(),
        "html": lambda: as_html(shown.reading, DRAFT_NOTE).encode(),
        "pdf": lambda: render_sheet(
            shown.reading,
            link=shown.link,
            large_print=shown.file.contact.large_print,
            draft_note=DRAFT_NOTE,
            questions=shown.pack.questions_on_sheet,
        ),
        "ics": lambda: _calendar(shown),
        "messages": lambda: _messages(shown).encode(),
    }
    return forms[form]()


def _calendar(shown: Shown) -> bytes:
    items = calendar_items(
        shown.plan,
        shown.file.contact,
        shown.wordings,
        shown.language,
        link=shown.link,
        given=shown.file.given,
        appointment=shown.file.visit.appointment,
        clinic=shown.clinic,
    )
    if not items:
        raise VisitError("visit", "this plan has nothing for a calendar: no course and no return date")
    states, _ = revise({}, items, now=shown.file.given, seed=uuid5(NAMESPACE_URL, shown.file.given.isoformat()))
    name = shown.wordings.say(Phrase(wording="calendar.name"), shown.language)
    return calendar_file(states.values(), name=name, language=shown.language, now=shown.file.given)


def _messages(shown: Shown) -> str:
    """Every message with its local moment, its channel and, for texts, what it costs."""
    file, contact = shown.file, shown.file.contact
    lines = [DRAFT_NOTE, ""]
    zone = zone_named(contact.zone)
    letter = Letter(link=shown.link, pack=shown.plan.pack, booked=shown.appointment)
    for planned in lay_out(
        shown.plan, contact, shown.pack.timing, given=file.given, appointment=file.visit.appointment
    ):
        channel = pick_channel(planned.kind, contact)
        if channel is None:
            if planned.kind not in COMFORT:
                lines += [f"{planned.wall}  {planned.kind}: no agreed way to reach the person", ""]
            continue
        composed = compose(planned, shown.plan, contact, shown.clinic, shown.wordings, channel, letter)
        cost = ""
        if channel is Channel.TEXT:
            counted = count_parts(composed.text)
            cost = f", {counted.parts} part{'s' if counted.parts != 1 else ''} {counted.alphabet}"
        until = to_wall(planned.last_useful, zone).isoformat(sep=" ", timespec="minutes")
        lines += [f"{planned.wall.replace('T', ' ')}  {planned.kind}  {channel}{cost}  (useful until {until})"]
        lines += [composed.subject or composed.text, ""]
    return "\n".join(lines)


def read_sample(path: Path | None) -> tuple[Clinic, ClinicChoices]:
    """The clinic and its choices from a settings file, or the sample clinic with the cautious defaults."""
    if path is None:
        return sample_clinic(), ClinicChoices()
    from service.config import read_settings

    settings = read_settings(path)
    return settings.clinic, settings.choices
