"""Texts as a translator gets them, for the tests of both kinds of file."""

from __future__ import annotations

from service.messages.i18n import plural_categories
from service.wording.entries import Entry

LANGUAGES = ("ar", "cy", "fr", "hi", "pl", "uk", "ur", "zh-Hans")


def an_entry(**changes: object) -> Entry:
    given: dict[str, object] = {
        "unit": "help.call",
        "form": "any",
        "topic": "help",
        "note": "",
        "safety": False,
        "count": None,
        "source": ("Call {clinic} on {phone}.",),
        "target": None,
        "standing": "missing",
    }
    return Entry(**(given | changes))  # type: ignore[arg-type]


def drops(language: str, *, target: tuple[str, ...] | None = None, **changes: object) -> Entry:
    source = ("Put in {drops} drop.", "Put in {drops} drops.")
    standing = "draft" if target else "missing"
    given = {"unit": "course.drops", "count": "drops", "source": source, "target": target, "standing": standing}
    return an_entry(**(given | changes))


def forms(language: str, text: str = "{drops} x") -> tuple[str, ...]:
    return tuple(f"{text} {category}" for category in plural_categories(language))
