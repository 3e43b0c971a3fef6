"""What would a translator's file change? Nothing is written here: the caller writes drafts from the answer.

A sentence group is taken whole or not at all: a new text for the right ear never stands beside an old one for the left
because the file had a fault there.
"""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Protocol

from service.messages.i18n import canonical_tag, clean, plural_categories
from service.wording.entries import Entry, Incoming, Texts, shown_sources


class FaultFound(Protocol):
    """One thing wrong in one text, as service.messages.text_checks says it."""

    @property
    def form(self) -> str:
        """Any, or right, left or both."""

    @property
    def index(self) -> int | None:
        """The plural form, None where it is the text as a whole."""

    @property
    def start(self) -> int:
        """The offset of the first character that is wrong."""

    @property
    def message(self) -> str:
        """What is wrong and what is allowed, in one sentence."""

    @property
    def bars(self) -> bool:
        """Whether the text is refused; otherwise the fault is only shown."""


FaultsOf = Callable[[str, str, Mapping[str, Texts]], Iterable[FaultFound]]
"""What is wrong with the texts of a unit in a language: (unit id, language, texts by form) to faults."""


class Kind(StrEnum):
    """What becomes of one text of the file."""

    NEW = "new"  # there was none
    CHANGED = "changed"  # other words than now
    CONFIRMED = "confirmed"  # the same words, for the English of now: they were overtaken
    REMARKED = "remarked"  # the same words, and the translator wrote something beside them that is new
    UNCHANGED = "unchanged"
    EMPTY = "empty"  # the file has no text here
    REFUSED = "refused"  # the text has a fault
    HELD = "held"  # nothing wrong with it, but another form of its sentence group is not taken
    UNKNOWN = "unknown"  # the content has no such text
    OTHER_SOURCE = "other-source"  # made from other English than ours now
    NOT_FINAL = "not-final"  # the translator has it marked as unfinished


MOST_REMARK = 1000
"""Characters of a translator's remark that are kept. Our choice: ten times an ordinary question."""

TAKEN = frozenset({Kind.NEW, Kind.CHANGED, Kind.CONFIRMED, Kind.REMARKED})
"""What a draft would be written from."""

_STANDS = TAKEN | {Kind.UNCHANGED, Kind.EMPTY}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """What would become of one text, with `old` and `new` words.

    `reasons` say why it is not taken, each with its exact place; `hints` what to look at in a text that is taken.
    `new` is in the composed form of Unicode (NFC), in which wording is kept. `line` is where it stands in the file,
    `remark` what the translator wrote beside it.
    """

    kind: Kind
    unit: str
    form: str
    old: Texts | None
    new: Texts
    reasons: tuple[str, ...] = ()
    hints: tuple[str, ...] = ()
    line: int | None = None
    remark: str = ""

    @property
    def place(self) -> str:
        """Where the text is, for a person: unit, form, and the line of the file."""
        name = f"{self.unit}|{self.form}" if self.form else self.unit
        return f"{name} (line {self.line})" if self.line else name


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportPlan:
    """What a file would change. `drafts` is every form of each unit that would get a draft, `remarks` what a translator
    wrote beside these; `absent` are the keys of our texts that the file does not have."""

    language: str
    lines: tuple[Line, ...]
    drafts: Mapping[str, Mapping[str, Texts]]
    absent: tuple[str, ...]
    remarks: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    @property
    def counts(self) -> dict[Kind, int]:
        """How many texts of each kind, every kind named."""
        counted = Counter(line.kind for line in self.lines)
        return {kind: counted[kind] for kind in Kind}

    def of(self, kind: Kind) -> tuple[Line, ...]:
        """The texts of one kind in the order of the file."""
        return tuple(line for line in self.lines if line.kind is kind)


def plan_import(
    entries: Iterable[Entry], incoming: Iterable[Incoming], faults_of: FaultsOf, language: str
) -> ImportPlan:
    """Compare a file with what stands now. `entries` is every text that the file may speak of, as of now."""
    tag = canonical_tag(language)
    ours = {entry.key: entry for entry in entries}
    lines: list[Line] = []
    seen: set[str] = set()
    for each in incoming:
        seen.add(each.key)
        lines.append(_first_look(ours.get(each.key), each, tag))
    _refuse_twins(lines)
    drafts: dict[str, Mapping[str, Texts]] = {}
    remarks: dict[str, Mapping[str, str]] = {}
    places: dict[str, list[int]] = {}
    for place, line in enumerate(lines):
        if line.kind is not Kind.UNKNOWN:
            places.setdefault(line.unit, []).append(place)
    forms_of: dict[str, list[Entry]] = {}
    for entry in ours.values():
        forms_of.setdefault(entry.unit, []).append(entry)
    for unit, here in places.items():
        if not any(lines[place].kind in TAKEN for place in here):
            continue
        looked, texts = _whole([lines[place] for place in here], forms_of[unit], faults_of, tag)
        for place, line in zip(here, looked, strict=True):
            lines[place] = line
        if texts:
            drafts[unit] = texts
            before = {entry.form: entry.remark for entry in forms_of[unit] if entry.remark}
            told = {line.form: line.remark for line in looked if line.remark}
            remarks[unit] = before | told
    absent = tuple(key for key in ours if key not in seen)
    return ImportPlan(language=tag, lines=tuple(lines), drafts=drafts, absent=absent, remarks=remarks)


def _first_look(entry: Entry | None, each: Incoming, language: str) -> Line:
    """One text by itself, before the faults of its words are asked for."""
    target, remark = _composed(each.target), _remark(each.remark)

    def line(kind: Kind, *reasons: str) -> Line:
        return Line(
            kind=kind,
            unit=entry.unit if entry else each.unit or each.key,
            form=entry.form if entry else each.form if each.unit else "",
            old=entry.target if entry else None,
            new=target,
            reasons=reasons,
            line=each.line,
            remark=remark,
        )

    if entry is None:
        return line(Kind.UNKNOWN, "the content has no such text")
    if each.problem:
        return line(Kind.REFUSED, each.problem)
    if not any(text.strip() for text in target):
        return line(Kind.EMPTY)
    expected = shown_sources(entry, language) if each.per_form else entry.source
    if _composed(each.source) != _composed(expected):
        before, now = _first_difference(each.source, expected)
        return line(Kind.OTHER_SOURCE, f"made from “{before}”, and the English is now “{now}”; export it again")
    overtaken = entry.standing == "overtaken"
    same = entry.target is not None and target == _composed(entry.target)
    if not each.ready and (overtaken or not same):
        return line(Kind.NOT_FINAL, "the translator has it marked as unfinished")
    if same and not overtaken and remark and remark != entry.remark:
        return line(Kind.REMARKED)
    if same:
        return line(Kind.CONFIRMED if overtaken else Kind.UNCHANGED)
    wanted = 1 if entry.count is None else len(plural_categories(language))
    if len(target) != wanted:
        return line(Kind.REFUSED, f"{len(target)} plural forms where {language} has {wanted}")
    empty = [index for index, text in enumerate(target) if not text.strip()]
    if empty:
        names = ", ".join(plural_categories(language)[index] for index in empty)
        return line(Kind.REFUSED, f"the plural form {names} is empty; translate every form")
    return line(Kind.NEW if entry.target is None else Kind.CHANGED)


def _remark(text: str) -> str:
    """What a translator wrote, line by line, without characters that do something; a bar would begin an old msgid."""
    lines = (clean(each).strip(" |") for each in text.splitlines())
    told = "\n".join(each for each in lines if each)
    return told if len(told) <= MOST_REMARK else f"{told[: MOST_REMARK - 1]}…"


def _composed(texts: Texts) -> Texts:
    return tuple(unicodedata.normalize("NFC", text) for text in texts)


def _first_difference(file: Texts, now: Texts) -> tuple[str, str]:
    pairs = zip(file, now, strict=False)
    return next(((before, after) for before, after in pairs if before != after), (" | ".join(file), " | ".join(now)))


def _refuse_twins(lines: list[Line]) -> None:
    """Where a text stands twice, neither is taken: nobody can say which one was meant."""
    twice = [key for key, times in Counter((line.unit, line.form) for line in lines).items() if times > 1]
    for place, line in enumerate(lines):
        if (line.unit, line.form) in twice and line.kind is not Kind.UNKNOWN:
            reason = "the text stands twice in the file; keep one of them"
            lines[place] = replace(line, kind=Kind.REFUSED, reasons=(reason,))


def _whole(
    lines: list[Line], entries: list[Entry], faults_of: FaultsOf, language: str
) -> tuple[list[Line], Mapping[str, Texts]]:
    """The lines of one unit with its faults, and its texts in every form, {} where it is not taken."""
    by_form = {line.form: line for line in lines}
    texts: dict[str, Texts] = {}
    barred = ""
    for entry in entries:
        line = by_form.get(entry.form)
        if line is not None and line.kind not in _STANDS:
            barred = barred or f"the text for {entry.form} is not taken ({line.kind})"
        elif line is not None and line.kind in TAKEN:
            texts[entry.form] = line.new
        elif entry.target is not None and entry.standing != "overtaken":
            texts[entry.form] = entry.target
        else:
            barred = barred or f"the file has no text for {entry.form}"
    refused: dict[str, list[str]] = {}
    hints: dict[str, list[str]] = {}
    for fault in faults_of(entries[0].unit, language, texts):
        if fault.form in texts:  # a form that is not there is barred above
            told = refused if fault.bars else hints
            told.setdefault(fault.form, []).append(_with_place(fault, language))
    why = barred or f"the text for {', '.join(refused)} is refused"
    looked = []
    for line in lines:
        if line.kind not in TAKEN:
            looked.append(line)
        elif line.form in refused:
            looked.append(replace(line, kind=Kind.REFUSED, reasons=tuple(refused[line.form])))
        elif barred or refused:
            looked.append(replace(line, kind=Kind.HELD, reasons=(f"a sentence group is taken whole, and {why}",)))
        else:
            looked.append(replace(line, hints=tuple(hints.get(line.form, ()))))
    return looked, {} if barred or refused else texts


def _with_place(fault: FaultFound, language: str) -> str:
    """The fault with its plural form and its character, counted from 1."""
    form = "" if fault.index is None else f"plural form {plural_categories(language)[fault.index]}, "
    return f"{form}character {fault.start + 1}: {fault.message}"
