"""Which small picture stands beside a sentence?

Every picture is an SVG file of this folder, drawn on a square of 96 units in presentation attributes only, so that a
browser and the sheet's compiler show the same thing. Ink lines carry the meaning; olive marks what is acted with; the
red-brown ring and bar means "do not" and nothing else. A picture never tells which ear: the words beside it do. Its
alternative text comes from the wording, not from here; the title inside the file is for whoever opens it alone.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

from service.errors import NotFoundError

FALLBACK = "info"
"""The picture to ask for when a step has none of its own."""

_FOLDER = Path(__file__).parent


@cache
def names() -> frozenset[str]:
    """The name of every picture there is; a name is the file's name without `.svg`."""
    return frozenset(path.stem for path in _FOLDER.glob("*.svg"))


def path_of(name: str) -> Path:
    """Where the picture's file lies.

    Raises:
        NotFoundError: no picture has that name; nothing is put in its place.
    """
    if name not in names():
        raise NotFoundError(f"pictogram: there is no picture called {name!r}; use one of {', '.join(sorted(names()))}")
    return _FOLDER / f"{name}.svg"


@cache
def svg(name: str) -> str:
    """The picture as one `<svg>` element, ready to stand in a page.

    Raises:
        NotFoundError: no picture has that name.
    """
    return path_of(name).read_text(encoding="utf-8").strip()
