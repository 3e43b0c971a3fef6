"""A text that names a heading by its words is found when the heading has other words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from builders import a_clinic, the_catalogs, the_pack

from service.domain.revision import Approval, Origin, Revision, Withdrawal
from service.messages.catalogs import Catalogs
from service.wording.book import Book, digest_for
from service.wording.headings import Misnamed, misnamed, named_by, quoted
from service.wording.report import report

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
TO_WATER = {
    "question.swim.no", "question.swim.days", "question.swim.cavity", "question.swim.grommet", "question.wash.jelly",
    "question.wash.dry", "question.grommet-out.tell", "question.hole.often", "question.child-bath.dry",
    "question.child-school.yes",
}  # fmt: skip


def in_english(unit: str, text: str, hour: int = 8) -> tuple[Revision, Revision]:
    """An English text of the clinic, approved, and the shipped one that was passed over for it."""
    at, texts = NOW.replace(hour=hour), {"any": (text,)}
    digest = digest_for(the_pack().wording[unit], texts, None)
    own = Revision(
        id=f"{unit}{hour}", language="en", unit=unit, texts=texts, digest=digest, source_digest=digest,
        origin=Origin.WRITTEN, written_by="Ida", written_at=at,
        approval=Approval(by="Wren", approver="", at=at, effective=at),
    )  # fmt: skip
    waiting = Book(the_pack(), the_catalogs()).entry("en", unit, NOW)
    assert waiting.draft is not None
    passed = replace(
        own, id=f"{unit}{hour}s", texts=waiting.draft, digest=waiting.draft_digest, origin=Origin.SHIPPED,
        written_at=at - timedelta(seconds=1), approval=None, withdrawn=Withdrawal(by="Ida", at=at),
    )  # fmt: skip
    return passed, own


def wrong(
    language: str, *written: tuple[Revision, Revision], said: dict[str, str] | None = None
) -> tuple[Misnamed, ...]:
    """What is misnamed in a language; `said` are other shipped texts of it, by unit."""
    shipped = the_catalogs()
    texts = dict(shipped._texts) | {(language, unit, "any"): (text,) for unit, text in (said or {}).items()}
    catalogs = Catalogs(source="en", languages=shipped.languages, _texts=texts, _digests=shipped._digests)
    revisions = [each for pair in written for each in pair]
    return misnamed(Book(the_pack(), catalogs, revisions).entries(language, NOW), "en")


def test_whoever_renames_a_heading_is_told_every_text_that_names_it() -> None:
    found = wrong("en", in_english("section.water", "Water and swimming"))
    assert {each.unit for each in found} == TO_WATER
    assert {(each.heading, each.now) for each in found} == {("section.water", "Water and swimming")}
    assert "“Water and swimming” now: quote it in exactly these words" in found[0].says


def test_a_name_of_an_earlier_day_is_found_too_and_a_text_that_follows_is_not() -> None:
    first = in_english("section.normal", "Nothing to fear", hour=6)
    names_it = in_english("question.normal.see", 'Look at "Nothing to fear" in this plan.', hour=7)
    assert wrong("en", first, names_it) == ()
    (found,) = wrong("en", first, names_it, in_english("section.normal", "All is well"))
    assert (found.unit, found.heading, found.now) == ("question.normal.see", "section.normal", "All is well")


def test_a_text_that_no_longer_names_the_heading_has_nothing_to_follow() -> None:
    other = in_english("question.normal.see", "Look at what this plan says, and ask us.")
    assert wrong("en", in_english("section.normal", "All is well"), other) == ()


@pytest.mark.parametrize("language", [each for each in the_catalogs().languages if each != "en"])
def test_a_translated_heading_that_is_renamed_leaves_its_names_behind(language: str) -> None:
    assert wrong(language) == ()
    found = wrong(language, said={"section.water": "H2O"})
    assert {each.unit for each in found} == TO_WATER
    assert {each.now for each in found} == {"H2O"}


@pytest.mark.parametrize("marks", ["“”", "„”", "„“", "”“", "””", "«»", "»«", "‘’", "「」", "『』", "《》", '""'])
def test_the_quotation_marks_of_many_languages_are_known(marks: str) -> None:
    """The pairs of the CLDR's delimiters for our languages (en and hi “”, pl and ro „”, ar and ur ”“, es, fr and uk «»,
    cy ‘’, zh “”) and some of others; written down from memory."""
    assert quoted(f"Abc {marks[0]}Two words{marks[1]} def {marks[0]}three{marks[1]}.") == ("two words", "three")


def test_small_differences_of_writing_are_none() -> None:
    assert quoted("Voir «\u00a0L’eau\u00a0».") == quoted("Voir « L'eau ».") == ("l'eau",)
    assert quoted("Read “What to do.” and \u2067“Water”\u2069") == ("what to do", "water")
    assert quoted("don't and can't") == quoted("it’s the reader’s") == ()


def test_a_heading_knows_who_names_it() -> None:
    entries = Book(the_pack(), the_catalogs()).entries("hi", NOW)
    assert set(named_by(entries, "en", "section.water")) == TO_WATER
    assert named_by(entries, "en", "page.title") == ()


def test_the_report_says_so_and_the_language_is_not_fit() -> None:
    book = Book(the_pack(), the_catalogs(), in_english("section.help", "Get help"))
    (english,) = report(the_pack(), book, NOW, a_clinic().said(), ["en"])
    named = {each.unit for each in english.broken if "section.help by its words" in each.says}
    assert named == {"question.to-help", "question.worried", "question.better.watch"}
    assert not english.fit
