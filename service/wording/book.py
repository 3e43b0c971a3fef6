"""What does the clinic say, in every language, at a moment? The shipped texts and the clinic's own as one book.

The shipped content and catalogs stand at the beginning of every unit's history, as drafts by nobody. What the clinic
wrote, imported or approved follows. A book is made once and asked often; it does no I/O and knows no clock.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from service.domain.pack import Pack, Wording
from service.domain.revision import (
    Revision,
    Standing,
    Texts,
    coming,
    current,
    digest_of,
    newest_draft,
    next_change,
    source_of,
)
from service.messages.catalogs import Catalogs
from service.messages.compose import followed_by
from service.messages.wordings import Approvals


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """Where one unit stands in one language at one moment.

    `approved` is in force. `draft` is the text that waits for approval, shipped (`draft_id` empty) or written here;
    None when nothing waits, nor where a newer text is approved for a later day. `coming` is the next to come into
    force by itself. `source` is what a translation must say: the source text now, approved or not. `after` is the
    newest text of what follows the unit whenever it goes as a text; None where nothing does.
    """

    unit: Wording
    language: str
    standing: Standing
    source: Texts
    source_digest: str
    approved: Revision | None
    draft: Texts | None
    draft_id: str = ""
    draft_digest: str = ""
    history: tuple[Revision, ...] = ()
    coming: Revision | None = None
    after: Texts | None = None

    @property
    def shown(self) -> Texts | None:
        """The newest text: the draft, else the one that is approved for a later day, else the one in force."""
        newest = self.coming or self.approved
        return self.draft or (newest.texts if newest else None)

    @property
    def shown_digest(self) -> str:
        """The digest of that text; empty where there is none."""
        newest = self.coming or self.approved
        return self.draft_digest or (newest.digest if newest else "")

    @property
    def remarks(self) -> Mapping[str, str]:
        """What a translator wrote beside that text, by form; nothing beside a shipped one."""
        newest = self.coming or self.approved
        if self.draft is not None:
            newest = next((each for each in self.history if each.id == self.draft_id), None)
        return newest.remarks if newest is not None else {}


class Book:
    """Every text of every language with its history."""

    def __init__(
        self, pack: Pack, shipped: Catalogs, revisions: Iterable[Revision] = (), added: Iterable[str] = ()
    ) -> None:
        """`added` are languages of the clinic that the service does not ship."""
        self._pack = pack
        self._shipped = shipped
        self._histories: dict[tuple[str, str], list[Revision]] = {}
        for revision in revisions:
            self._histories.setdefault((revision.language, revision.unit), []).append(self._with_texts(revision))
        others = sorted({*shipped.languages, *added} - {shipped.source})
        self.source = shipped.source
        self.languages = (shipped.source, *others)

    def _with_texts(self, revision: Revision) -> Revision:
        """A shipped text that was approved before texts were kept is found by its digest."""
        if revision.texts:
            return revision
        language, unit = revision.language, revision.unit
        if revision.digest != self._shipped.digest(language, unit):
            return revision  # its words are gone: it stays on record and is never in force
        source = self._shipped.digest(self._shipped.source, unit) or ""
        return replace(revision, texts=self._shipped_texts(language, unit) or {}, source_digest=source)

    def history(self, language: str, unit_id: str) -> Sequence[Revision]:
        """What was written and approved here, oldest first."""
        return self._histories.get((language, unit_id), ())

    def changes_after(self, at: datetime) -> datetime | None:
        """When an approved text comes into force by itself, next."""
        return next_change((each for history in self._histories.values() for each in history), at)

    def entry(self, language: str, unit_id: str, at: datetime) -> Entry:
        """One unit in one language at this moment. Raises KeyError for a unit that the content does not have."""
        unit = self._pack.wording[unit_id]
        source, source_digest, source_approved = self._source(unit, at)
        history = [each for each in self.history(language, unit_id) if each.texts]
        shipped: Texts | None = self._shipped_texts(language, unit_id)
        shipped_digest = self._shipped.digest(language, unit_id) or ""
        if language == self.source:
            approved = source_approved
        else:
            approved = current(history, source_digest, at)
            if source_digest != self._shipped.digest(self.source, unit_id):
                shipped = None  # it translates another source text
        draft = newest_draft(
            (each for each in history if language == self.source or each.source_digest == source_digest), at
        )
        later = coming(history, None if language == self.source else source_digest, at)
        if draft is not None and any(each and draft.written_at < each.written_at for each in (approved, later)):
            draft = None
        seen = {each.digest for each in history}
        waiting, waiting_id, waiting_digest = None, "", ""
        if draft is not None:
            waiting, waiting_id, waiting_digest = draft.texts, draft.id, draft.digest
        elif shipped is not None and (
            shipped_digest not in seen or (approved is later is None and not _withdrawn(history, shipped_digest, at))
        ):
            waiting, waiting_digest = shipped, shipped_digest
        return Entry(
            unit=unit,
            language=language,
            standing=_standing(history, approved, waiting if later is None else later.texts, at),
            source=source,
            source_digest=source_digest,
            approved=approved,
            draft=waiting,
            draft_id=waiting_id,
            draft_digest=waiting_digest,
            history=tuple(self.history(language, unit_id)),
            coming=later,
            after=self._after(language, unit_id, at),
        )

    def _after(self, language: str, unit_id: str, at: datetime) -> Texts | None:
        unit = followed_by(unit_id)
        return self.entry(language, unit, at).shown if unit is not None and unit in self._pack.wording else None

    def entries(self, language: str, at: datetime) -> list[Entry]:
        """Every unit of one language, in the order of the content."""
        return [self.entry(language, unit_id, at) for unit_id in self._pack.wording]

    def edition(self, at: datetime) -> tuple[Catalogs, Approvals]:
        """What may be said at this moment, and that all of it is approved."""
        texts: dict[tuple[str, str, str], tuple[str, ...]] = {}
        digests: dict[tuple[str, str], str] = {}
        sources: dict[str, str] = {}
        for (language, unit_id), history in self._histories.items():
            unit = self._pack.wording.get(unit_id)
            if unit is None or language not in self.languages:
                continue
            if language == self.source:
                found = current(_usable(history), None, at)
            else:
                if unit_id not in sources:
                    sources[unit_id] = self._source(unit, at)[1]
                found = current(_usable(history), sources[unit_id], at)
            if found is None or set(found.texts) != set(unit.forms):
                continue
            digests[language, unit_id] = found.digest
            texts |= {(language, unit_id, form): said for form, said in found.texts.items()}
        catalogs = Catalogs(source=self.source, languages=self.languages, _texts=texts, _digests=digests)
        entries = frozenset((language, unit, digest) for (language, unit), digest in digests.items())
        return catalogs, Approvals(entries=entries)

    def drafts(self, at: datetime) -> Catalogs:
        """The newest text of everything, approved or not: to look at, never to send."""
        texts: dict[tuple[str, str, str], tuple[str, ...]] = {}
        digests: dict[tuple[str, str], str] = {}
        for language in self.languages:
            for unit_id, unit in self._pack.wording.items():
                if (language, unit_id) in self._histories or (self.source, unit_id) in self._histories:
                    entry = self.entry(language, unit_id, at)
                    shown = entry.shown
                    digest = entry.shown_digest
                else:
                    shown = self._shipped_texts(language, unit_id)
                    digest = self._shipped.digest(language, unit_id) or ""
                if shown is not None and set(shown) == set(unit.forms):
                    digests[language, unit_id] = digest
                    texts |= {(language, unit_id, form): said for form, said in shown.items()}
        return Catalogs(source=self.source, languages=self.languages, _texts=texts, _digests=digests)

    def _shipped_texts(self, language: str, unit_id: str) -> dict[str, tuple[str, ...]] | None:
        found = {}
        for form in self._pack.wording[unit_id].forms:
            said = self._shipped.translation(language, unit_id, form)
            if said is None:
                return None
            found[form] = said
        return found

    def _source(self, unit: Wording, at: datetime) -> tuple[Texts, str, Revision | None]:
        """What the source language says now, its digest, and the approved revision if there is one."""
        approved = current(_usable(self.history(self.source, unit.id)), None, at)
        if approved is not None:
            return approved.texts, approved.digest, approved
        shipped = self._shipped_texts(self.source, unit.id)
        assert shipped is not None, "the content has every source text"
        return shipped, self._shipped.digest(self.source, unit.id) or "", None


def digest_for(unit: Wording, source: Texts, said: Texts | None) -> str:
    """The digest of a text made from this source; `said` None for the source itself."""
    return digest_of(unit, source_of(unit, source), said)


def _usable(history: Iterable[Revision]) -> list[Revision]:
    return [each for each in history if each.texts]


def _withdrawn(history: Iterable[Revision], digest: str, at: datetime) -> bool:
    return any(each.digest == digest and each.withdrawn is not None and each.withdrawn.at <= at for each in history)


def _standing(history: Sequence[Revision], approved: Revision | None, draft: Texts | None, at: datetime) -> Standing:
    """`draft`: what waits, for a person or for its day."""
    if approved is not None:
        return Standing.APPROVED
    if any(each.in_force(at) for each in history):
        return Standing.OVERTAKEN
    return Standing.DRAFT if draft is not None else Standing.MISSING
