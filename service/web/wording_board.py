"""Where does every sentence group stand in every language, what does a gap block, and whom does it touch?

Pure: from the book of wording and the numbers of readers to what the overview shows.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.pack import Pack, Wording
from service.domain.revision import Revision, Standing
from service.errors import ContactError, NotFoundError
from service.messages.i18n import fallback_chain
from service.storage.wording_views import Readers
from service.wording.book import Book, Entry


@dataclass(frozen=True, slots=True, kw_only=True)
class Purpose:
    """What the sentence groups of one topic are for. `for_all`: everybody who reads the language meets them, whatever
    their plan says. `optional`: what is not approved is left out, and nothing is kept from being sent."""

    topic: str
    name: str
    about: str = ""
    for_all: bool = False
    optional: bool = False


PURPOSES = (
    Purpose(topic="warning", name="Warning signs", about="What needs help, and how soon"),
    Purpose(topic="urgent", name="Urgent advice", about="What takes the place of a plan"),
    Purpose(topic="agent", name="Drops", about="Their names and how each is used"),
    Purpose(topic="engine", name="Courses", about="Doses, times of day, ears, supplies"),
    Purpose(topic="technique", name="Technique", about="How the drops get in"),
    Purpose(topic="care", name="Steps", about="What to do at home"),
    Purpose(topic="water", name="Water", about="Keeping an ear dry"),
    Purpose(topic="avoid", name="Cautions", about="What not to do"),
    Purpose(topic="normal", name="What is normal", about="After this visit, and for how long"),
    Purpose(topic="back", name="Coming back", about="When and why"),
    Purpose(topic="message", name="Messages", about="Texts, mails, calendar entries", for_all=True),
    Purpose(topic="recall", name="Invitations", about="Answering them on the patient’s page", for_all=True),
    Purpose(topic="reply", name="Automatic answers", about="To what somebody sent us", for_all=True),
    Purpose(topic="page", name="Patient’s page", about="Headings, buttons, notes; headings of the sheet", for_all=True),
    Purpose(topic="sheet", name="Sheet", about="The printed plan", for_all=True),
    Purpose(topic="easy", name="Easy read", about="Said instead to who asks for it; left out where it is not approved",
            for_all=True, optional=True),
    Purpose(topic="question", name="Common questions", about="Left out where they are not approved", for_all=True,
            optional=True),
)  # fmt: skip
"""Every topic of the shipped content, in the order in which a reader of a plan needs them."""

_FRAME = ("ear.", "urgency.", "return.")
"""Units of any topic that frame every plan and stand in no document (service/messages/read_plan.py, `units_of`)."""


def purposes_of(pack: Pack) -> tuple[Purpose, ...]:
    """The purposes that this content has; a topic that is not known here comes last under its own name."""
    topics = dict.fromkeys(unit.topic for unit in pack.wording.values())
    known = {purpose.topic for purpose in PURPOSES}
    others = (Purpose(topic=topic, name=topic.capitalize()) for topic in topics if topic not in known)
    return (*(purpose for purpose in PURPOSES if purpose.topic in topics), *others)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One sentence group in one language. `waits`: a new draft waits beside an approved text. `people`: how many a gap
    affects. `blocks`: as long as it stands so, what needs it is not sent in this language. `coming`: from when a text
    is approved that is not in force yet."""

    language: str
    standing: Standing
    waits: bool
    blocks: bool
    people: int
    coming: datetime | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One sentence group in every language that is shown; `said` is the source text."""

    unit: Wording
    said: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """The sentence groups of one purpose. `count` is of all of them, also where only some are shown; `gaps` counts the
    places that keep something from being sent, in `languages` languages."""

    purpose: Purpose
    lines: tuple[Line, ...]
    count: int
    gaps: int
    languages: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LanguageLine:
    """One language: how many people with a plan read it, how many sentence groups stand how, how many new drafts wait,
    and how many keep something from being sent."""

    language: str
    people: int
    counts: Mapping[Standing, int]
    waits: int
    blocking: int
    needed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """The whole of it. `others`: languages that people read and nobody has written in, with how many people."""

    languages: tuple[LanguageLine, ...]
    groups: tuple[Group, ...]
    others: Mapping[str, int]


class Standings:
    """Where everything stands at one moment, for all languages; made once for as long as nothing changes."""

    def __init__(self, book: Book, pack: Pack, at: datetime) -> None:
        self.book = book
        self.at = at
        self.until = book.changes_after(at)
        self.entries: dict[str, dict[str, Entry]] = {
            language: {entry.unit.id: entry for entry in book.entries(language, at)} for language in book.languages
        }
        self.pack = pack

    def hold(self, book: Book, at: datetime) -> bool:
        """Whether they are still right for this book at this moment."""
        return book is self.book and (self.until is None or at < self.until)


def board(
    standings: Standings, readers: Readers, *, only_blocking: bool = False, topic: str = "", language: str = ""
) -> Board:
    """What the overview shows: everything, or what blocks sending, of one topic or one language."""
    book, pack = standings.book, standings.pack
    people, by_unit, others = _by_catalog(readers, book.languages)
    shown = [each for each in book.languages if language in ("", each)]
    purposes = purposes_of(pack)
    cells = {
        (each, unit.id): _cell(standings.entries[each][unit.id], purpose, people, by_unit, standings.at)
        for purpose in purposes
        for unit in pack.wording.values()
        if unit.topic == purpose.topic
        for each in book.languages
    }
    groups = []
    for purpose in purposes:
        if topic not in ("", purpose.topic):
            continue
        units = [unit for unit in pack.wording.values() if unit.topic == purpose.topic]
        lines = [
            Line(
                unit=unit,
                said=first_said(standings.entries[book.source][unit.id].source),
                cells=tuple(cells[each, unit.id] for each in shown),
            )
            for unit in units
        ]
        blocking = [cell.language for line in lines for cell in line.cells if cell.blocks]
        kept = [line for line in lines if not only_blocking or any(cell.blocks for cell in line.cells)]
        if kept:
            groups.append(
                Group(
                    purpose=purpose,
                    lines=tuple(kept),
                    count=len(units),
                    gaps=len(blocking),
                    languages=len(set(blocking)),
                )
            )
    by_language = [(each, [cells[each, unit_id] for unit_id in pack.wording]) for each in book.languages]
    optional = {purpose.topic for purpose in purposes if purpose.optional}
    needed = sum(unit.topic not in optional for unit in pack.wording.values())
    languages = tuple(_language_line(each, found, people.get(each, 0), needed) for each, found in by_language)
    return Board(languages=languages, groups=tuple(groups), others=others)


def first_said(texts: Mapping[str, Sequence[str]]) -> str:
    """One text to know a sentence group by: the first form's, for several where it counts."""
    return next(iter(texts.values()))[-1]


def waiting(entry: Entry, at: datetime) -> bool:
    """Whether a text waits for an approval, other than one that was approved already for a later day."""
    return entry.draft is not None and all(
        each.digest != entry.draft_digest or each.approval is None or each.withdrawn is not None
        for each in entry.history
        if each.approval is None or each.approval.effective > at
    )


def last_approved(entry: Entry) -> Revision | None:
    """The revision that was approved last, whatever source it was made from."""
    approved = [(each.approval.effective, each.id, each) for each in entry.history if each.approval and each.texts]
    return max(approved)[2] if approved else None


def known(book: Book, language: str) -> None:
    """Raises NotFoundError for a language that nobody has written in."""
    if language not in book.languages:
        raise NotFoundError(f"there is no wording in {language}; choose one of {', '.join(book.languages)}")


def purpose_named(topic: str, pack: Pack) -> Purpose:
    """The purpose of a topic. Raises NotFoundError."""
    purposes = purposes_of(pack)
    found = next((each for each in purposes if each.topic == topic), None)
    if found is None:
        raise NotFoundError(f"there is no topic {topic!r}; choose one of {', '.join(each.topic for each in purposes)}")
    return found


def _cell(
    entry: Entry,
    purpose: Purpose,
    people: Mapping[str, int],
    by_unit: Mapping[tuple[str, str], int],
    at: datetime,
) -> Cell:
    language, unit_id = entry.language, entry.unit.id
    gap, begins = entry.standing is not Standing.APPROVED, entry.coming
    for_all = purpose.for_all or unit_id.startswith(_FRAME)
    touched = people.get(language, 0) if for_all else by_unit.get((language, unit_id), 0)
    return Cell(
        language=language,
        standing=entry.standing,
        waits=waiting(entry, at) and entry.standing is not Standing.DRAFT,
        blocks=gap and not purpose.optional,
        people=touched if gap else 0,
        coming=begins.approval.effective if begins is not None and begins.approval is not None else None,
    )


def _language_line(language: str, cells: Iterable[Cell], people: int, needed: int) -> LanguageLine:
    found = list(cells)
    counts = Counter(cell.standing for cell in found)
    return LanguageLine(
        language=language,
        people=people,
        counts={standing: counts[standing] for standing in Standing},
        waits=sum(cell.waits for cell in found),
        blocking=sum(cell.blocks for cell in found),
        needed=needed,
    )


def _by_catalog(
    readers: Readers, languages: Sequence[str]
) -> tuple[dict[str, int], dict[tuple[str, str], int], dict[str, int]]:
    """The numbers by the language that a message would be said in, and those whose language nobody has written in."""
    catalog = dict(_nearest(readers.people, languages))
    people: Counter[str] = Counter()
    others: Counter[str] = Counter()
    for tag, count in readers.people.items():
        if tag in catalog:
            people[catalog[tag]] += count
        else:
            others[tag] += count
    by_unit: Counter[tuple[str, str]] = Counter()
    for (tag, unit), count in readers.by_unit.items():
        if tag in catalog:
            by_unit[catalog[tag], unit] += count
    return dict(people), dict(by_unit), dict(sorted(others.items()))


def _nearest(tags: Iterable[str], languages: Sequence[str]) -> Iterator[tuple[str, str]]:
    """As `Wordings.choose_language` goes: the tag itself, then what is left of it without its last parts."""
    for tag in tags:
        try:
            chain = fallback_chain(tag)
        except ContactError:  # stored before tags were checked: it is shown among the others
            continue
        found = next((link for link in chain if link in languages), None)
        if found is not None:
            yield tag, found
