"""A plan as a reader meets it: every sentence in one language, in the order of need, before any layout.

The page, the sheet, the mail and the command line are four layouts of one `Reading`; none of them picks sentences.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.visit import Ears


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A picture with the sentences that belong to it, one action a sentence; `ears_label` says the ear in words.

    `drops` names the drops of a course and of what it takes; `finished`: they must not be put in any more.
    """

    picture: str
    sentences: tuple[str, ...]
    ears: Ears | None = None
    ears_label: str = ""
    drops: str = ""
    finished: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading and its blocks. `id`: "urgent", "help", "do", "water", "avoid", "normal", "supply", "return"."""

    id: str
    heading: str
    blocks: tuple[Block, ...]
    intro: tuple[str, ...] = ()
    urgency: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answered:
    """A common question with its answer; `help` leads to the warning signs, empty where no symptom is touched."""

    id: str
    ask: str
    answer: tuple[str, ...]
    help: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Questions:
    """The common questions that fit a plan and can be said in its language, the most important first."""

    heading: str
    intro: tuple[str, ...]
    asked: tuple[Answered, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One plan in one language.

    `about` says whom "you" means where the reader is not the patient; it stands under the title, before all that says
    "you". `help` sections (one per urgency, most urgent first) come before everything else on a sheet; `urgent` is
    empty for an ordinary plan, and then `sections` hold the rest. `questions` come after the returns, where a layout
    shows them; None when there are none. `labels` are short words for layout, by wording id (such as "label.right").
    `draft` is set when any wording used is not approved.
    """

    language: str
    direction: str
    title: str
    person: str
    date: str
    clinic: str
    clinic_lines: tuple[str, ...]
    phone: str
    emergency: str
    urgent: tuple[Section, ...]
    help: tuple[Section, ...]
    sections: tuple[Section, ...]
    footer: tuple[str, ...]
    labels: dict[str, str]
    draft: bool = False
    questions: Questions | None = None
    about: str = ""
