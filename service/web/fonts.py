"""The letters of other scripts, served from here: a page must never depend on another site, nor show empty boxes."""

from __future__ import annotations

from pathlib import Path

import fontpkg_noto_sans_arabic
from flask import Blueprint, Response, send_file

bp = Blueprint("fonts", __name__)

_ARABIC = next(Path(fontpkg_noto_sans_arabic.ROOT, "files").glob("*.ttf"))
_YEAR_SECONDS = 365 * 24 * 3600


@bp.get("/static/noto-sans-arabic.ttf")
def arabic() -> Response:
    """Noto Sans Arabic (SIL Open Font License), asked for only by pages that hold such letters."""
    return send_file(_ARABIC, mimetype="font/ttf", max_age=_YEAR_SECONDS)
