"""The letters of other scripts, served from here: a page must never depend on another site, nor show empty boxes.

Chinese is not among them: its font is far too large for a phone to fetch, and phones and computers bring one.
"""

from __future__ import annotations

from pathlib import Path

import fontpkg_hind_siliguri
import fontpkg_noto_sans_arabic
import fontpkg_noto_sans_devanagari
from flask import Blueprint, Response, send_file

bp = Blueprint("fonts", __name__)

_ARABIC = next(Path(fontpkg_noto_sans_arabic.ROOT, "files").glob("*.ttf"))
_DEVANAGARI = next(Path(fontpkg_noto_sans_devanagari.ROOT, "files").glob("*.ttf"))
_BENGALI = Path(fontpkg_hind_siliguri.ROOT, "files")
_YEAR_SECONDS = 365 * 24 * 3600


@bp.get("/static/noto-sans-arabic.ttf")
def arabic() -> Response:
    """Noto Sans Arabic (SIL Open Font License), asked for only by pages that hold such letters."""
    return _font(_ARABIC)


@bp.get("/static/noto-sans-devanagari.ttf")
def devanagari() -> Response:
    """Noto Sans Devanagari (SIL Open Font License), asked for only by pages that hold such letters."""
    return _font(_DEVANAGARI)


@bp.get("/static/hind-siliguri.ttf")
def bengali() -> Response:
    """Hind Siliguri (SIL Open Font License), asked for only by pages that hold Bengali letters."""
    return _font(_BENGALI / "HindSiliguri-Regular.ttf")


@bp.get("/static/hind-siliguri-bold.ttf")
def bengali_bold() -> Response:
    """The same in bold."""
    return _font(_BENGALI / "HindSiliguri-Bold.ttf")


def _font(path: Path) -> Response:
    return send_file(path, mimetype="font/ttf", max_age=_YEAR_SECONDS)
