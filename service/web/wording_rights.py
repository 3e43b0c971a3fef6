"""May this person approve what waits, and from when shall it count?"""

from __future__ import annotations

from datetime import date, datetime, time

from service.domain.revision import Origin, Revision, Rights, check_approval
from service.domain.wall_clock import to_instant, to_wall, zone_named
from service.errors import NotAllowedError
from service.services import Services
from service.web.shown import day, moment, sentence_of
from service.web.wording_board import waiting
from service.wording.book import Entry

EDITORS = ("lead", "wording")
"""Roles that work on the texts; the role "wording" sees no patient page."""


def effective_from(services: Services, text: str) -> datetime | None:
    """Midnight of the day on the clinic's clock; None for at once. Raises NotAllowedError."""
    if not text.strip():
        return None
    zone = zone_named(services.clinic.zone)
    today = to_wall(services.clock.now(), zone).date()
    try:
        chosen = date.fromisoformat(text.strip())
    except ValueError:
        raise NotAllowedError(
            "from: give a day such as 2026-12-01, or leave it empty for “at once”; nothing was approved"
        ) from None
    if chosen < today:
        raise NotAllowedError(f"from: {day(chosen)} is over; choose today or a later day, nothing was approved")
    return None if chosen == today else to_instant(datetime.combine(chosen, time()), zone)


def why_not(services: Services, entry: Entry, rights: Rights) -> str:
    """Why this person may not approve the newest text, in one sentence; empty where they may, or where nothing waits
    for a person or for its day."""
    begins = entry.coming
    if not waiting(entry, services.clock.now()) and begins is not None and begins.approval is not None:
        return f"{begins.approval.by} approved this text; it counts from {moment(begins.approval.effective)}."
    if entry.draft is None:
        return ""
    draft = next((each for each in entry.history if each.id == entry.draft_id), None) or Revision(
        id="",
        language=entry.language,
        unit=entry.unit.id,
        texts=entry.draft,
        digest=entry.draft_digest,
        source_digest=entry.source_digest,
        origin=Origin.SHIPPED,
        written_by="",
        written_at=services.clock.now(),
    )
    try:
        check_approval(draft, entry.unit, rights, own_words=services.own_words, over=())
    except NotAllowedError as error:
        said = str(error).removeprefix(f"{entry.unit.id}: ")
        return sentence_of(said)
    return ""
