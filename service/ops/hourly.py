"""What must be looked after now and then: letters that nobody posted, keys of forms that nobody needs any more, and
once a day of the clinic the round of recalls."""

from __future__ import annotations

import logging
from datetime import timedelta

from service.planning import recall_round
from service.planning.posting import ask_about_waiting
from service.services import Services

log = logging.getLogger("service.hourly")

HOURLY = "hourly"
"""The duty of these rounds: one process at a time holds it."""
EVERY = timedelta(hours=1)
REQUESTS_KEPT = timedelta(days=30)
"""How long a second press of an old form's button still finds the answer to the first. Our choice."""


def look_after(services: Services, owner: str) -> None:
    """One round, if this process holds the duty or can take it. Raises nothing: the next round tries again."""
    try:
        now = services.clock.now()
        with services.open_work() as work:
            held = work.ledger.take_lease(HOURLY, owner, now, EVERY * 3)
            if held:
                work.requests.tidy(now - REQUESTS_KEPT)
            work.commit()
        if held and (count := ask_about_waiting(services)):
            log.info("letters that nobody posted: %s put before a person", count)
        if held and recall_round.due(services):
            recall_round.run(services)
    except Exception as fault:
        log.exception("the hourly round failed: %s", type(fault).__name__)
