"""A named person approves wording; until then it is never sent."""

from __future__ import annotations

from collections.abc import Iterable

from service.errors import NotAllowedError
from service.services import Services


def approve_units(services: Services, language: str, units: Iterable[str], by: str) -> int:
    """Record the approval of these units in this language, as their texts stand now; returns how many were new.

    A unit without a complete translation cannot be approved and is passed over. Raises NotAllowedError for a language
    without a catalog, or when nobody is named.
    """
    if not by.strip():
        raise NotAllowedError("approved by: give the full name of the person who approves")
    if language not in services.catalogs.languages:
        raise NotAllowedError(f"language: {language} has no catalog; choose {', '.join(services.catalogs.languages)}")
    found = [
        (language, unit, digest) for unit in units if (digest := services.catalogs.digest(language, unit)) is not None
    ]
    now = services.clock.now()
    with services.open_work() as work:
        new = work.ledger.approve(found, by, now)
        work.ledger.note(by, "wording-approved", f"language:{language}", now, units=len(found), new=new)
        work.commit()
    return new


def approve_language(services: Services, language: str, by: str) -> int:
    """Approve every complete unit of a language as it stands now."""
    return approve_units(services, language, services.pack.wording, by)
