"""Which placeholders a sentence may hold, and how each is written for a reader.

A new placeholder is added here and nowhere else; the content check refuses a wording unit that uses another name.
"""

from __future__ import annotations

from enum import StrEnum


class Kind(StrEnum):
    """How a placeholder's value is turned into text by `messages/`."""

    NUMBER = "number"
    DATE = "date"
    TIME = "time"
    LIST = "list"
    CHOICE = "choice"
    TEXT = "text"
    VERBATIM = "verbatim"


PLACEHOLDERS: dict[str, Kind] = {
    # Whole numbers, written with the language's own digits rules; each can pick a plural form.
    "drops": Kind.NUMBER,
    "times": Kind.NUMBER,
    "minutes": Kind.NUMBER,
    "hours": Kind.NUMBER,
    "days": Kind.NUMBER,
    "weeks": Kind.NUMBER,
    "months": Kind.NUMBER,
    "millilitres": Kind.NUMBER,
    "doses": Kind.NUMBER,
    # ISO dates and times of day in the person's zone.
    "date": Kind.DATE,
    "until": Kind.DATE,
    "time": Kind.TIME,
    # A tuple of wording ids, joined the way the language joins a list.
    "moments": Kind.LIST,
    # The same, joined as alternatives ("or"). Of the clinic: each of `contact.WAYS` that it has.
    "ways": Kind.CHOICE,
    # Free text of the clinic or the person: isolated in right-to-left text.
    "clinic": Kind.TEXT,
    "name": Kind.TEXT,
    "person": Kind.TEXT,
    # Written exactly as given and never re-ordered: numbers to dial, links, addresses.
    "phone": Kind.VERBATIM,
    "emergency": Kind.VERBATIM,
    "urgent_line": Kind.VERBATIM,
    "email": Kind.VERBATIM,
    "text_number": Kind.VERBATIM,
    "link": Kind.VERBATIM,
}
