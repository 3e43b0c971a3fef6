"""Is the wording fit to be used? Per language: what is missing, broken, overtaken, over its budget, or owed.

The same report serves an admin, a script and our own continuous integration. It reads a book and costs nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from service.domain.budget import Budget, stated_reason
from service.domain.pack import EASY, Pack
from service.domain.revision import Origin, Standing
from service.messages.text_checks import text_faults
from service.wording.book import Book, Entry
from service.wording.budget import Cost, budget_kind, cost_of, over_budget
from service.wording.headings import misnamed

OPEN = "-open"
"""Behind the id of a text that names the ear and the drops; without it: the discreet one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to know about one unit, in one sentence. `reason`: why it may stay, where somebody said so."""

    unit: str
    says: str
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LanguageReport:
    """One language. `owed`: forms that the source should have and has not, simpler or discreet. `worst_parts` is the
    dearest text of all its messages; `reads` how hard its hardest sentence is, by the language's own formula, or why
    there is no figure."""

    language: str
    standings: Mapping[str, int]
    missing: tuple[str, ...]
    overtaken: tuple[str, ...]
    broken: tuple[Finding, ...]
    over: tuple[Finding, ...]
    owed: tuple[Finding, ...]
    worst_parts: int
    worst_unit: str
    reads: str

    @property
    def fit(self) -> bool:
        """Nothing missing, nothing broken, nothing over its budget without a stated reason."""
        return not (self.missing or self.broken or any(not each.reason for each in self.over))


def report(
    pack: Pack, book: Book, at: datetime, values: Mapping[str, str], languages: Iterable[str] = ()
) -> tuple[LanguageReport, ...]:
    """The report of these languages (all, when none is named), at this moment; `values` are the clinic's own."""
    chosen = tuple(languages) or book.languages
    return tuple(_language(pack, book.entries(language, at), language, book.source, values) for language in chosen)


def _language(
    pack: Pack, entries: Iterable[Entry], language: str, source: str, values: Mapping[str, str]
) -> LanguageReport:
    entries = list(entries)
    broken: list[Finding] = []
    over: list[Finding] = []
    costs: dict[str, Cost] = {}
    for entry in entries:
        texts = entry.shown
        if texts is None:
            continue
        unit = entry.unit
        faults = text_faults(unit, language, texts, None if language == source else entry.source)
        broken += [Finding(unit=unit.id, says=fault.message) for fault in faults if fault.bars]
        if texts and any(any(said) for said in texts.values()):
            costs[unit.id] = cost = cost_of(unit, texts, language, values, after=entry.after)
            reason = reason_for(pack, entry)
            over += [
                Finding(unit=unit.id, says=says, reason=reason)
                for says in over_budget(cost, budget_of(pack.budgets, unit.id))
            ]
    broken += [Finding(unit=each.unit, says=each.says) for each in misnamed(entries, source)]
    sent = {unit: cost.sending.worst.parts for unit, cost in costs.items() if cost.sending is not None}
    worst_unit = max(sent, key=lambda unit: sent[unit], default="")
    standings = {each.value: 0 for each in Standing}
    for entry in entries:
        standings[entry.standing] += 1
    return LanguageReport(
        language=language,
        standings=standings,
        missing=tuple(each.unit.id for each in entries if each.standing is Standing.MISSING),
        overtaken=tuple(each.unit.id for each in entries if each.standing is Standing.OVERTAKEN),
        broken=tuple(broken),
        over=tuple(over),
        owed=tuple(_owed(pack, entries, costs)) if language == source else (),
        worst_parts=sent.get(worst_unit, 0),
        worst_unit=worst_unit,
        reads=_reads(costs),
    )


def budget_of(budgets: Mapping[str, Budget], unit_id: str) -> Budget:
    """The budget that a unit falls under."""
    return budgets[budget_kind(unit_id)]


def reason_for(pack: Pack, entry: Entry) -> str:
    """Why the text may cost more than its budget: its approver said so, or the content does of a shipped text."""
    newest = entry.coming or entry.approved
    if entry.draft is None and newest is not None and newest.approval is not None and newest.approval.reason:
        return newest.approval.reason
    shipped = not entry.draft_id if entry.draft is not None else newest is not None and newest.origin is Origin.SHIPPED
    return stated_reason(pack.over_budget, entry.unit.id, entry.language) if shipped else ""


def _owed(pack: Pack, entries: Iterable[Entry], costs: Mapping[str, Cost]) -> Iterator[Finding]:
    """A simpler form of what is harder to read than its budget; a discreet one of every text that names the drops."""
    for entry in entries:
        unit_id = entry.unit.id
        cost = costs.get(unit_id)
        if cost is None or EASY in unit_id:
            continue
        hard = over_budget(replace(cost, sending=None), budget_of(pack.budgets, unit_id))
        if hard and f"{unit_id}{EASY}" not in pack.wording:
            yield Finding(unit=unit_id, says="a simpler form is owed: it is hard to read")
        if unit_id.endswith(OPEN) and unit_id.removesuffix(OPEN) not in pack.wording:
            yield Finding(unit=unit_id, says="a discreet form is owed: a locked screen would show the drops")


def _reads(costs: Mapping[str, Cost]) -> str:
    read = [cost.reading for cost in costs.values()]
    without = next((each.why_none for each in read if each.formula is None), "")
    graded = [each for each in read if each.formula is not None and each.score is not None and each.words >= 10]
    if not graded:
        return without or "nothing to read"
    formula = graded[0].formula
    assert formula is not None
    hardest = max(graded, key=lambda each: (each.score or 0.0) * (1 if formula.harder == "higher" else -1))
    return f"hardest: {hardest.says}"
