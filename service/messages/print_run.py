"""What does the person who fills the envelopes read? A mark on each letter, and a list of all of them.

Both are for staff and in English. Neither says anything about health.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from service.messages.typesetting import typeset


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One letter on the print list; `place` is the last line of the address, `due` a date in words."""

    number: int
    name: str
    place: str
    sheets: int
    kind: str
    due: str


def counted(number: int, what: str) -> str:
    """A number of things: "1 sheet", "4 sheets"."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def render_marks(sheets: Sequence[int]) -> bytes:
    """One page a letter, blank but for its mark in the upper right corner, outside every window. `sheets` is how many
    sheets of paper each letter takes, in their order."""
    marks = [f"Letter {number} of {len(sheets)}, {counted(each, 'sheet')}" for number, each in enumerate(sheets, 1)]
    return typeset("marks", {"marks": marks}, "the mark of a letter")


def render_print_list(heading: str, made: str, letters: Sequence[Listed]) -> bytes:
    """The list of one batch as a PDF for A4 paper. Raises WordingError when a name cannot be printed."""
    total = sum(letter.sheets for letter in letters)
    values = {
        "heading": heading,
        "made": made,
        "total": f"{counted(len(letters), 'letter')}, {counted(total, 'sheet')}, printed on both sides",
        "letters": [asdict(letter) for letter in letters],
    }
    return typeset("print_list", values, "the print list")
