"""How does a template become a PDF? With the shipped fonts, the values as data, and the same bytes every time.

The values go to the compiler as JSON, never as its source, so nothing that a person typed can be markup.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Literal

import fontpkg_hind_siliguri
import fontpkg_noto_sans
import fontpkg_noto_sans_arabic
import fontpkg_noto_sans_devanagari
import manimgx_fonts_cjk
import typst

from service.errors import WordingError
from service.messages.i18n import script_of

STANDARD: Literal["ua-1"] = "ua-1"
"""PDF/UA-1 (ISO 14289-1); it also refuses a character that no font can show."""

LETTERS = "Latin, Greek, Cyrillic, Arabic, Devanagari, Bengali, Chinese, Japanese and Korean letters"
"""What the shipped fonts can show, as a sentence says it."""

_LATIN = "Noto Sans"
_FAMILIES = {
    "Arab": "Noto Sans Arabic",
    "Deva": "Noto Sans Devanagari",
    "Beng": "Hind Siliguri",
    "Hans": "Noto Sans CJK SC",
}
"""The font of each script beside Latin, Greek and Cyrillic. All are under the SIL Open Font License 1.1."""

_NO_GLYPH = re.compile(r"the text `\"(.+?)\"` could not be displayed", re.DOTALL)
_PANIC = re.compile(r"panicked with: \"?(.+?)\"?\Z", re.DOTALL)
_TEMPLATES = Path(__file__).parent / "templates"


def typeset(template: str, values: Mapping[str, object], what: str, language: str = "en") -> bytes:
    """A PDF of the template `template` (a file name without ending) with these values; `what` names it in errors.

    `language` is the one that most of the words are in.

    Raises:
        WordingError: a character cannot be printed, or the template itself refuses a value; says which and why.
    """
    return pdf_of(
        compiler(template, {"values": json.dumps(values, ensure_ascii=False)}, language),
        what,
        "write it in one of these",
    )


def compiler(
    template: str, inputs: Mapping[str, str], language: str = "en", root: Path | None = None
) -> typst.Compiler:
    """A compiler for the template with these inputs; files that it reads lie below `root` (the templates' folder).

    The template finds the fonts to try for each letter in its input `fonts`, for words in `language`.
    """
    return typst.Compiler(
        input=_source(template),
        root=root or _TEMPLATES,
        font_paths=_fonts(),
        ignore_system_fonts=True,
        sys_inputs={**inputs, "fonts": json.dumps(fonts_for(language))},
    )


def fonts_for(language: str) -> tuple[str | dict[str, str], ...]:
    """The fonts to try for each letter, in this order: the language's own script comes before the other ones.

    Quotation marks, dashes and dots are in many scripts; among Chinese letters they are wide and come from the font
    of those ("latin-in-cjk", a name of the typesetter, leaves them to it).
    """
    own = _FAMILIES.get(script_of(language))
    others = [family for family in _FAMILIES.values() if family != own]
    if own is None:
        return (_LATIN, *others)
    if own == _FAMILIES["Hans"]:
        return ({"name": _LATIN, "covers": "latin-in-cjk"}, own, *others, _LATIN)
    return (_LATIN, own, *others)


def pdf_of(made: typst.Compiler, what: str, instead: str) -> bytes:
    """The PDF. `what` names the paper in an error, `instead` says what to do about a letter that cannot be printed.

    Raises:
        WordingError: a character cannot be printed, or the template itself refuses a value; says which and why.
    """
    try:
        pdf = made.compile(format="pdf", pdf_standards=STANDARD, timestamp=0)
    except typst.TypstError as error:
        refused = _PANIC.search(error.message)
        if refused is not None:
            raise WordingError(refused[1]) from error
        unknown = _NO_GLYPH.search(error.message)
        if unknown is None:
            raise
        raise WordingError(
            f"{what} has no letter for {unknown[1]}: only {LETTERS} can be printed; {instead}"
        ) from error
    assert isinstance(pdf, bytes), "a PDF is one file"
    return pdf


@cache
def _source(template: str) -> bytes:
    return (_TEMPLATES / f"{template}.typ").read_bytes()


@cache
def _fonts() -> typst.Fonts:
    """Reading the fonts takes longer than setting a page, so it is done once."""
    packages = (fontpkg_noto_sans, fontpkg_noto_sans_arabic, fontpkg_noto_sans_devanagari, fontpkg_hind_siliguri)
    folders = [Path(package.ROOT) / "files" for package in packages]
    folders.append(Path(manimgx_fonts_cjk.__file__).parent)
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders)
