"""Every error that this service raises on purpose.

TragusError                     one clear sentence for the person who can mend it
|- ContentError                 the content pack is not usable; carries every fault found, each with its place
|- PlanError                    no plan can be made from this visit
|   |- VisitError               the visit names something that is not known or not possible (field, allowed values)
|   `- ContradictionError       two rules ask for opposites and neither is safer; names both
|- WordingError                 a sentence cannot be said (unknown unit, missing value)
|   `- TextRefusedError         a text would break the messages that use it; carries every fault with its place
|- ContactError                 a phone number, address, language or zone is not usable
|- SettingsError                the configuration is not usable
|- NotFoundError                the thing asked for is not (or no longer) there
|- NotAllowedError              this person may not do that, or not now
|   |- AskedOtherwiseError      a form was used already, for something else
|   `- OvertakenError           somebody else saved the same meanwhile
|- TransportError               a transport cannot be loaded or is wrongly configured
|- SolvingError                 a numerical problem could not be solved
`- DatabaseAwayError            the database does not answer, or cannot write now
"""

from __future__ import annotations

from dataclasses import dataclass


class TragusError(Exception):
    """Root of the errors of this service."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in a content file: where (file, line if known, key path) and what to do about it."""

    file: str
    path: str
    message: str
    line: int | None = None

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.path}: {self.message}" if self.path else f"{place}: {self.message}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TextFault:
    """One thing wrong in one text: `start` and `end` are character offsets, equal where something is missing.

    `index` is the plural form, None where the unit does not count or the fault is of the whole form. `bars`: the text
    is refused; otherwise the fault is only shown. `what` says what is wrong, `allowed` what is allowed there.
    """

    form: str
    index: int | None
    start: int
    end: int
    what: str
    allowed: str = ""
    bars: bool = True

    @property
    def message(self) -> str:
        """What is wrong and what is allowed, in one sentence."""
        return f"{self.what}; {self.allowed}" if self.allowed else self.what


class ContentError(TragusError):
    """The content pack cannot be used; `faults` lists everything wrong with it."""

    def __init__(self, faults: tuple[Fault, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(str(fault) for fault in faults))


class PlanError(TragusError):
    """No plan can be made from this visit."""


class VisitError(PlanError):
    """The visit is not usable; `field` names the place."""

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(f"{field}: {message}")


class ContradictionError(PlanError):
    """Two rules ask for opposites for one ear and neither is safer: a person must mend the content."""

    def __init__(self, first: str, second: str, about: str) -> None:
        self.first, self.second = first, second
        super().__init__(
            f"rules {first} and {second} contradict each other: {about}; ask the clinical lead to mend one"
        )


class WordingError(TragusError):
    """A sentence cannot be said."""


class TextRefusedError(WordingError):
    """A text of a wording unit is refused; `faults` says for each what is wrong, and where in the text."""

    def __init__(self, unit: str, faults: tuple[TextFault, ...]) -> None:
        self.unit = unit
        self.faults = faults
        super().__init__(f"{unit}: {'; '.join(fault.message for fault in faults)}")


class ContactError(TragusError):
    """A phone number, mail address, language or time zone is not usable; `field` names the place."""

    def __init__(self, field: str, message: str) -> None:
        self.field = field
        super().__init__(f"{field}: {message}")


class SettingsError(TragusError):
    """The configuration is not usable; says which setting and what is allowed."""


class NotFoundError(TragusError):
    """The thing asked for is not there, or no longer."""


class NotAllowedError(TragusError):
    """This person may not do that, or not now."""


class AskedOtherwiseError(NotAllowedError):
    """The form was already used, for something else: its key stands for another request."""

    def __init__(self, plan_id: str) -> None:
        self.plan_id = plan_id
        super().__init__("this form was used already, with other content: open the page again")


class OvertakenError(NotAllowedError):
    """Somebody else saved the same after it was looked at: nothing was saved over theirs."""


class TransportError(TragusError):
    """A transport cannot be loaded or is wrongly configured."""


class SolvingError(TragusError):
    """A numerical problem could not be solved; what was there before stays as it is."""


class DatabaseAwayError(TragusError):
    """The database does not answer, or cannot write now; what was not committed is not stored."""
