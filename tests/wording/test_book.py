"""What the clinic says at a moment: shipped texts, the clinic's own, and what overtakes what."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from builders import the_catalogs, the_pack

from service.domain.pack import Pack
from service.domain.plan import Phrase
from service.domain.revision import Approval, Origin, Revision, Standing, Texts, Withdrawal
from service.messages.wordings import Wordings
from service.wording.book import Book, Entry, digest_for

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
DAY = timedelta(days=1)
UNIT = "page.undo"
NEW_ENGLISH = "Take this back"


def entry(revisions: list[Revision], language: str, at: datetime = NOW) -> Entry:
    return book(revisions).entry(language, UNIT, at)


def book(revisions: list[Revision], pack: Pack | None = None) -> Book:
    return Book(pack or the_pack(), the_catalogs(), revisions)


def approved_shipped(language: str, at: datetime = NOW - DAY) -> Revision:
    """The approval of the text that is shipped."""
    waiting = book([]).entry(language, UNIT, at)
    assert waiting.draft is not None
    return revision(language, waiting.draft, at=at, digest=waiting.draft_digest, source_digest=waiting.source_digest)


def revision(
    language: str, texts: Texts, *, at: datetime, digest: str = "", source_digest: str = "", approve: bool = True
) -> Revision:
    unit = the_pack().wording[UNIT]
    if language == "en":
        digest = source_digest = digest or digest_for(unit, texts, None)
    return Revision(
        id=f"{language}{at.isoformat()}",
        language=language,
        unit=UNIT,
        texts=texts,
        digest=digest,
        source_digest=source_digest,
        origin=Origin.WRITTEN,
        written_by="Ida",
        written_at=at,
        approval=Approval(by="Wren", approver="", at=at, effective=at) if approve else None,
    )


def test_a_shipped_text_is_a_draft_until_it_is_approved() -> None:
    assert entry([], "en").standing is Standing.DRAFT
    assert entry([], "pl").standing is Standing.DRAFT
    assert entry([approved_shipped("pl")], "pl").standing is Standing.APPROVED


def test_a_language_without_a_text_is_missing_it() -> None:
    added = Book(the_pack(), the_catalogs(), (), ["eo"])
    assert added.languages[0] == "en"
    assert "eo" in added.languages
    assert added.entry("eo", UNIT, NOW).standing is Standing.MISSING


def test_a_new_english_text_overtakes_what_was_translated_from_the_old_one() -> None:
    revisions = [approved_shipped("en"), approved_shipped("pl"), revision("en", {"any": (NEW_ENGLISH,)}, at=NOW)]
    english, polish = entry(revisions, "en"), entry(revisions, "pl")
    assert english.standing is Standing.APPROVED
    assert english.source == {"any": (NEW_ENGLISH,)}
    assert polish.standing is Standing.OVERTAKEN
    assert polish.draft is None, "the shipped translation says something else"
    assert entry(revisions, "cy").standing is Standing.MISSING


def test_a_draft_of_the_english_overtakes_nothing_before_it_is_approved() -> None:
    draft = revision("en", {"any": (NEW_ENGLISH,)}, at=NOW, approve=False)
    revisions = [approved_shipped("en"), approved_shipped("pl"), draft]
    assert entry(revisions, "pl").standing is Standing.APPROVED
    english = entry(revisions, "en")
    assert (english.standing, english.draft, english.draft_id) == (Standing.APPROVED, draft.texts, draft.id)


def test_until_its_date_a_new_text_leaves_the_old_one_and_its_translations_in_force() -> None:
    later = revision("en", {"any": (NEW_ENGLISH,)}, at=NOW)
    assert later.approval is not None
    later = replace(later, approval=replace(later.approval, effective=NOW + DAY))
    revisions = [approved_shipped("en"), approved_shipped("pl"), later]
    assert entry(revisions, "pl").standing is Standing.APPROVED
    assert entry(revisions, "pl", NOW + DAY).standing is Standing.OVERTAKEN
    assert book(revisions).changes_after(NOW) == NOW + DAY
    assert said(revisions, "en", NOW) != NEW_ENGLISH
    assert said(revisions, "en", NOW + DAY) == NEW_ENGLISH


def said(revisions: list[Revision], language: str, at: datetime) -> str:
    catalogs, approvals = book(revisions).edition(at)
    return Wordings(the_pack(), catalogs, approvals, {}).say(Phrase(wording=UNIT), language)


def test_the_edition_holds_what_is_approved_and_nothing_else() -> None:
    catalogs, approvals = book([approved_shipped("en"), approved_shipped("ur")]).edition(NOW)
    wordings = Wordings(the_pack(), catalogs, approvals, {})
    assert wordings.usable("ur", [UNIT])
    assert not wordings.usable("pl", [UNIT])
    assert not wordings.usable("en", ["page.title"])


def test_a_withdrawn_text_is_said_no_more_and_does_not_come_back_by_itself() -> None:
    gone = replace(approved_shipped("pl"), withdrawn=Withdrawal(by="Wren", at=NOW))
    found = entry([approved_shipped("en"), gone], "pl")
    assert (found.standing, found.draft) == (Standing.MISSING, None)
    assert not book([approved_shipped("en"), gone]).edition(NOW)[1].has("pl", UNIT, gone.digest)


def test_an_approval_from_before_texts_were_kept_finds_its_words_by_the_digest() -> None:
    old = replace(approved_shipped("pl"), texts={}, source_digest="")
    assert entry([approved_shipped("en"), old], "pl").standing is Standing.APPROVED
    lost = replace(old, digest="0" * 64)
    found = entry([approved_shipped("en"), lost], "pl")
    assert found.standing is Standing.DRAFT, "its words are gone; the shipped ones wait for approval"
    assert lost in found.history


def test_drafts_show_the_newest_text_of_everything() -> None:
    draft = revision("en", {"any": (NEW_ENGLISH,)}, at=NOW, approve=False)
    catalogs = book([approved_shipped("en"), draft]).drafts(NOW)
    assert catalogs.translation("en", UNIT, "any") == (NEW_ENGLISH,)
    assert catalogs.translation("en", "page.title", "any") == the_catalogs().translation("en", "page.title", "any")
    assert catalogs.translation("pl", "page.title", "any") == the_catalogs().translation("pl", "page.title", "any")


def test_a_unit_that_the_content_does_not_have_cannot_be_asked_for() -> None:
    with pytest.raises(KeyError):
        book([]).entry("en", "no.such", NOW)
