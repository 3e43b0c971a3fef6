"""How does a template become a PDF? With the two shipped fonts, the values as data, and the same bytes every time.

The values go to the compiler as JSON, never as its source, so nothing that a person typed can be markup.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Literal

import fontpkg_noto_sans
import fontpkg_noto_sans_arabic
import fontpkg_noto_sans_devanagari
import typst

from service.errors import WordingError

STANDARD: Literal["ua-1"] = "ua-1"
"""PDF/UA-1 (ISO 14289-1); it also refuses a character that no font can show."""

_NO_GLYPH = re.compile(r"the text `\"(.+?)\"` could not be displayed", re.DOTALL)
_PANIC = re.compile(r"panicked with: \"?(.+?)\"?\Z", re.DOTALL)
_TEMPLATES = Path(__file__).parent / "templates"


def typeset(template: str, values: Mapping[str, object], what: str) -> bytes:
    """A PDF of the template `template` (a file name without ending) with these values; `what` names it in errors.

    Raises:
        WordingError: a character cannot be printed, or the template itself refuses a value; says which and why.
    """
    return pdf_of(
        compiler(template, {"values": json.dumps(values, ensure_ascii=False)}), what, "write it in one of these"
    )


def compiler(template: str, inputs: Mapping[str, str], root: Path | None = None) -> typst.Compiler:
    """A compiler for the template with these inputs; files that it reads lie below `root` (the templates' folder)."""
    return typst.Compiler(
        input=_source(template),
        root=root or _TEMPLATES,
        font_paths=_fonts(),
        ignore_system_fonts=True,
        sys_inputs=dict(inputs),
    )


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
            f"{what} has no letter for {unknown[1]}: only Latin, Greek, Cyrillic, Arabic and Devanagari letters can be "
            f"printed; {instead}"
        ) from error
    assert isinstance(pdf, bytes), "a PDF is one file"
    return pdf


@cache
def _source(template: str) -> bytes:
    return (_TEMPLATES / f"{template}.typ").read_bytes()


@cache
def _fonts() -> typst.Fonts:
    """Reading the fonts takes longer than setting a page, so it is done once."""
    packages = (fontpkg_noto_sans, fontpkg_noto_sans_arabic, fontpkg_noto_sans_devanagari)
    folders = [Path(package.ROOT) / "files" for package in packages]
    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=folders)
