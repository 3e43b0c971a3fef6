"""What lies on top of a letter? A page whose address the window of the envelope shows, with a blank back.

In the window stands the recipient and nothing else: the clinic's name, which may speak of health, stands above it. The
back stays blank, so that nothing shows through the paper behind the window and the sheet keeps its own two sides. A
letter that is words alone is this page, with the address of the patient's page as a code, too; what does not fit on it
goes on overleaf, below the window.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from datetime import date

from service.domain.contact import Clinic
from service.domain.placeholders import Kind
from service.domain.window import Window
from service.errors import WordingError
from service.messages.i18n import FSI, LRI, PDI, canonical_tag, direction, format_date, isolate
from service.messages.sheet import square_code
from service.messages.typesetting import typeset

SIZES = (11.0, 10.0, 9.0)
"""Points of the address, the largest that fits. Source: DIN 5008 asks for at least 8, and below 10 for letters without
serifs, as published summaries give it; starting at 11 is our choice."""
WORDS = (12.5, 11.5, 10.5)
LARGE_WORDS = (18.0, 16.0, 14.0, 12.5)
"""Points of the letter's own words, the largest that fits: on one page, or in large print on this page and its back. A
sheet in large print is never below 18; here a long letter in a wide script may have to be."""
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
    link: str = "",
    large_print: bool = False,
) -> bytes:
    """The address page as a PDF for A4 paper, with a blank back where a sheet follows. `dated` is the clinic's local
    date; `words` are what the letter says, paragraphs apart by an empty line, where no sheet says it all. `link` is the
    address of the patient's page as it stands in them: it gets a line of its own, and the first one its code beside it.

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
        "words": _paragraphs(_address_apart(words, clinic, language), link, (clinic.phone, clinic.emergency)),
        "link": link,
        "code": square_code(link) if link else "",
        "word_sizes": LARGE_WORDS if large_print else WORDS,
        "large": large_print,
        "too_long": "the words of the letter do not fit on its two pages: shorten the wording",
        "too_large": "the name and address do not fit into the window of the envelope: shorten the longest line in the "
        "person's record",
    }
    return typeset("address", values, "the address page", language)


def _address_apart(words: str, clinic: Clinic, language: str) -> str:
    """The lines of the clinic's address as they read in the clinic's country, also between right-to-left lines."""
    own = {clinic.name, *clinic.address}
    lines = words.split("\n")
    return "\n".join(isolate(line, Kind.TEXT, direction(language)) if line in own else line for line in lines)


def _paragraphs(words: str, link: str, numbers: Iterable[str]) -> list[dict[str, object]]:
    """The paragraphs as lines of pieces, each with its kind: "text", "link" or "number". `code`: the link's code stands
    beside this one."""
    found: list[dict[str, object]] = []
    for paragraph in words.split("\n\n"):
        lines = [line for said in paragraph.splitlines() for line in _lines(said, link, numbers)]
        if lines:
            code = any(kind == "link" for line in lines for kind, _ in line) and not any(each["code"] for each in found)
            found.append({"lines": lines, "code": code})
    return found


def _lines(said: str, link: str, numbers: Iterable[str]) -> list[list[tuple[str, str]]]:
    """One line of the letter; the address of the page stands apart in its own, only with the full stop behind it."""
    if not link or link not in said:
        return [_pieces(said, numbers)] if said.strip() else []
    # In text from right to left it is isolated (`i18n.isolate`), which its own line makes needless.
    before, after = re.split(rf"[{LRI}{FSI}]?{re.escape(link)}{PDI}?", said, maxsplit=1)
    own, rest = [("link", link)], after.strip()
    if not re.search(r"\w", rest):
        own, rest = [("link", link), ("text", rest)], ""
    return [*_lines(before.rstrip(), "", numbers), own, *_lines(rest, link, numbers)]


def _pieces(said: str, numbers: Iterable[str]) -> list[tuple[str, str]]:
    either = "|".join(re.escape(number) for number in sorted(filter(None, numbers), key=len, reverse=True))
    # Chinese sets no space beside a number, so only other digits and Latin letters make it another one.
    parts = re.split(rf"(?<![0-9A-Za-z+])({either})(?![0-9A-Za-z])", said) if either else [said]
    return [("number" if n % 2 else "text", part) for n, part in enumerate(parts) if part]
