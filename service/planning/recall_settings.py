"""What the clinic set for its recalls: read it, and save it by compare-and-swap with its line in the audit record."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

from service import codec
from service.domain.contact import Contact
from service.domain.recall_settings import RecallSettings, check_recall_settings, proposed_by
from service.domain.wall_clock import zone_named
from service.errors import NotAllowedError, SettingsError
from service.services import Services
from service.storage.unit_of_work import UnitOfWork

RECALL_SETTINGS = "recall-settings"
"""The fact that holds the clinic's own values, and the subject of its lines in the audit record."""


def settings_now(services: Services, work: UnitOfWork) -> RecallSettings:
    """The clinic's values for recalls as they stand now. Raises SettingsError when the stored ones cannot be read."""
    document = work.ledger.fact(RECALL_SETTINGS)
    if document is None:
        return proposed_by(services.pack.recall)
    try:
        return codec.load(RecallSettings, document)
    except ValueError as wrong:
        raise SettingsError(f"the stored settings of recalls cannot be read: {wrong}") from wrong


def save_settings(services: Services, settings: RecallSettings, by: str) -> RecallSettings:
    """Store the clinic's values; `settings.revision` is the revision that they were changed from. Invitations that are
    planned already keep their days until the next daily round.

    Raises SettingsError (out of bounds), NotAllowedError when somebody else saved meanwhile.
    """
    check_recall_settings(settings, services.pack.recall)
    now = services.clock.now()
    with services.open_work() as work:
        before = work.ledger.fact(RECALL_SETTINGS)
        kept = replace(settings, revision=settings.revision + 1)
        unchanged = settings_now(services, work).revision == settings.revision
        if not unchanged or not work.ledger.swap_fact(RECALL_SETTINGS, before, codec.dump(kept)):
            raise NotAllowedError("somebody else saved these settings meanwhile: look at them again, then save")
        changed = {name: value for name, value in codec.to_plain(kept).items() if name != "weeks"}
        work.ledger.note(by, "recall-settings-saved", RECALL_SETTINGS, now, **changed)
        work.commit()
    return kept


def today_for(services: Services, contact: Contact, now: datetime) -> date:
    """The present day at the clinic, or where the person lives if that is later: the next morning there is still to
    come, so an invitation that is planned for the day after it goes out."""
    return max(services.day_of(now), now.astimezone(zone_named(contact.zone)).date())
