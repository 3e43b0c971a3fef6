"""A reading as plain text and as one HTML file that stands alone."""

from __future__ import annotations

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape

from service import pictograms
from service.messages.reading import Reading

environment = Environment(
    loader=PackageLoader("service.messages"),
    autoescape=select_autoescape(["html"]),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,  # no look at the files for each message
)
environment.globals["pictogram"] = pictograms.svg


def as_text(reading: Reading, draft_note: str = "") -> str:
    """The whole reading as plain text that reads well aloud."""
    return environment.get_template("plan.txt").render(reading=reading, draft_note=draft_note)


def as_html(reading: Reading, draft_note: str = "") -> str:
    """The whole reading as one HTML file with its pictures and its style inside."""
    return environment.get_template("plan.html").render(reading=reading, draft_note=draft_note)
