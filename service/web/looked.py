"""A list shows something of everybody on it: put on record who saw whom, one line a look, before the page is shown.

A list that is opened again and again, or searched letter by letter, would fill the record with the same names. So a
line names those whom the reader has not seen on a list of this kind within `AGAIN_AFTER`, and where there is nobody
new, nothing is written.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from enum import StrEnum

from service.web.access import the_staff, who
from service.web.app import the_services

AGAIN_AFTER = timedelta(minutes=30)
"""After this long the same person on the same kind of list is on record anew. Our choice: as long as a session lasts
without a request; within it, nobody asks at which minute somebody was seen a second time."""


class Listed(StrEnum):
    """The kinds of lists that show people; each is the action of its lines in the audit record."""

    PEOPLE = "people-listed"
    ATTENTION = "attention-listed"
    RECALLS = "recall-listed"
    OUTGOING = "outgoing-listed"
    LETTERS = "letters-listed"
    REPLANNED = "visits-replanned"


RECORD = "record-viewed"
"""The action of a look at one person's record, or a page about that person alone: each time one line."""
LOOKS: dict[str, str] = {
    RECORD: "looked at the record",
    Listed.PEOPLE: "saw them on the list of people",
    Listed.ATTENTION: "saw them on the attention list",
    Listed.RECALLS: "saw them on a list of recalls",
    Listed.OUTGOING: "saw them on the list of what goes out",
    Listed.LETTERS: "saw them on the list of letters",
    Listed.REPLANNED: "saw a visit of theirs planned anew",
    "letter-batch-opened": "opened a batch with a letter to them",
    "letter-list-opened": "opened the list for the envelopes of a batch with a letter to them",
}
"""What only looks, in words: on a record beside "who did what", which it would push away."""


def put_on_record(listed: Listed, people: Iterable[str]) -> None:
    """Note that the member of staff of this page sees these people on a list. When that cannot be written, the page is
    not shown. Raises DatabaseAwayError."""
    services, by, shown = the_services(), who(the_staff()), frozenset(people)
    if not shown:
        return
    now = services.clock.now()
    with services.open_reading() as work:
        new = shown - work.looks.shown_since(by, listed, now - AGAIN_AFTER)
    if new:
        with services.open_work() as work:
            work.looks.note(by, listed, f"list:{listed}", new, now)
            work.commit()
