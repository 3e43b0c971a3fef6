"""Which of the clinic's choices hold now: a document among the facts of this installation, with its revision.

Until staff save choices, those of the settings file hold; from then on the settings file's are no longer read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from service import codec
from service.domain.pack import ClinicChoices
from service.errors import SettingsError

CLINIC_CHOICES = "clinic-choices"
"""The name of the fact, and the subject of its lines in the audit record."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoicesInForce:
    """The choices that hold, with who saved them and when (UTC). Revision 0 are those of the settings file."""

    choices: ClinicChoices
    revision: int = 0
    by: str = ""
    at: datetime | None = None


def choices_in(document: str | None, starting: ClinicChoices) -> ChoicesInForce:
    """The choices that a stored document holds; without one, the starting value. Raises SettingsError."""
    if document is None:
        return ChoicesInForce(choices=starting)
    try:
        return codec.load(ChoicesInForce, document)
    except ValueError as wrong:
        raise SettingsError(
            f"the stored choices of the clinic cannot be read: {wrong}; was it stored by a newer version?"
        ) from wrong
