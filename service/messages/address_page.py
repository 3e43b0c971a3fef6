"""What lies on top of a letter? A page whose address the window of the envelope shows, with a blank back.

In the window stands the recipient and nothing else: the clinic's name, which may speak of health, stands above it. The
back stays blank, so that nothing shows through the paper behind the window and the sheet keeps its own two sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from datetime import date

from service.domain.contact import Clinic
from service.domain.window import Window
from service.errors import WordingError
from service.messages.i18n import canonical_tag, direction, format_date
from service.messages.typesetting import typeset

SIZES = (11.0, 10.0, 9.0)
"""Points of the address, the largest that fits. Source: DIN 5008 asks for at least 8, and below 10 for letters without
serifs, as published summaries give it; starting at 11 is our choice."""
WORDS = (12.5, 11.5, 10.5)
LARGE_WORDS = (18.0, 16.0, 14.0, 12.5)
"""Points of the letter's own words, the largest that fits. In large print the sheet behind is never below 18; here a
long letter in a wide script may have to be."""
MOST_LINES = 7
"""A name and an address of six lines."""


def render_address_page(
    recipient: Sequence[str],
    clinic: Clinic,
    window: Window,
    *,
    language: str,
    dated: date,
    words: str = "",
    large_print: bool = False,
) -> bytes:
    """The address page and its blank back as a PDF for A4 paper. `dated` is the clinic's local date; `words` are what
    the letter says, paragraphs apart by an empty line, where the sheet behind it does not say it all.

    Raises:
        WordingError: there is no address, it has too many lines, it does not fit into the window, the words do not fit
            on the page, or a letter cannot be printed; says which and what to do.
    """
    lines = [line.strip() for line in recipient if line.strip()]
    if len(lines) < 2:
        raise WordingError("the letter has no address under the name: fill it in in the person's record")
    if len(lines) > MOST_LINES:
        raise WordingError(
            f"the name and address take {len(lines)} lines, and the window of the envelope shows {MOST_LINES}: "
            "shorten the address in the person's record"
        )
    values = {
        "language": canonical_tag(language).split("-")[0],
        "direction": direction(language),
        "clinic": clinic.name,
        "clinic_address": list(clinic.address),
        "date": format_date(dated, language),
        "recipient": lines,
        "sizes": SIZES,
        "block": asdict(window.block),
        "text_top": window.text_top,
        "folds": window.folds,
        "words": [paragraph.splitlines() for paragraph in words.split("\n\n") if paragraph.strip()],
        "word_sizes": LARGE_WORDS if large_print else WORDS,
        "too_long": "the words of the letter do not fit on its first page: shorten the wording",
        "too_large": "the name and address do not fit into the window of the envelope: shorten the longest line in the "
        "person's record",
    }
    return typeset("address", values, "the address page", language)
